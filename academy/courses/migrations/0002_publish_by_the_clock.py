"""What is published was published at some time: when this ran, for want of a better one."""

from django.db import migrations, models
from django.utils import timezone


def date_the_published(apps, schema_editor):
    courses = apps.get_model("courses", "Course").objects.using(schema_editor.connection.alias)
    courses.filter(is_published=True).update(publish_at=timezone.now())


def mark_the_published(apps, schema_editor):
    courses = apps.get_model("courses", "Course").objects.using(schema_editor.connection.alias)
    courses.filter(publish_at__lte=timezone.now()).update(is_published=True)


class Migration(migrations.Migration):

    dependencies = [("courses", "0001_initial")]

    operations = [
        migrations.AddField("course", "publish_at", models.DateTimeField(blank=True, null=True)),
        migrations.RunPython(date_the_published, mark_the_published),
    ]
