from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ("listening", "0001_initial"),
    ]

    operations = [
        migrations.AddField("matchplan", "shows_map", models.BooleanField(default=False)),
        migrations.AddField("listeningcopy", "outline", models.BinaryField(default=b"")),
    ]
