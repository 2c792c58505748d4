from django.db import migrations, models
from django.utils import timezone


class Migration(migrations.Migration):

    dependencies = [
        ('members', '0002_grants_kept_links_codes_and_payments'),
    ]

    operations = [
        migrations.AddField(
            model_name='paymentevent',
            name='decides_from',
            field=models.DateTimeField(default=timezone.now),
            preserve_default=False,
        ),
    ]
