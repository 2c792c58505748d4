from django.db import migrations


class Migration(migrations.Migration):

    dependencies = [
        ("packs", "0003_fill_first_versions"),
    ]

    operations = [
        migrations.RemoveField(model_name="download", name="stem"),
        migrations.RenameField(model_name="download", old_name="published_stem", new_name="stem"),
        migrations.RemoveField(model_name="stempack", name="archive_bytes"),
        migrations.RemoveField(model_name="stempack", name="archive_key"),
        migrations.RemoveField(model_name="stempack", name="archive_sha256"),
    ]
