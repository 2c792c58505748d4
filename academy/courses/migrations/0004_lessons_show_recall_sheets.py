"""A lesson may show recall sheets."""

from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('courses', '0003_lessons_in_full'),
        ('recall', '0001_recall_sheets_and_versions'),
    ]

    operations = [
        migrations.AddField(
            model_name='lesson',
            name='sheets',
            field=models.ManyToManyField(blank=True, related_name='lessons', to='recall.recallsheet'),
        ),
    ]
