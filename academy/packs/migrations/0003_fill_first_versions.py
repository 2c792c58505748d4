from django.db import migrations
from django.utils import timezone

FACTS = ["title", "artist", "notes", "credits", "tempo_bpm", "key", "terms", "terms_version"]
WAV = {"WAV", "RF64"}


def fill(apps, schema_editor):
    """What is published becomes version 1; its archive, its terms and its downloads go with it."""
    models = {
        name: apps.get_model("packs", name)
        for name in ("StemPack", "PackVersion", "PublishedStem", "Archive", "TermsText", "Download")
    }
    now = timezone.now()
    for pack in models["StemPack"].objects.all():
        models["TermsText"].objects.create(
            pack=pack, number=pack.terms_version, text=pack.terms, written_at=now
        )
        if pack.state != "published":
            continue
        facts = {name: getattr(pack, name) for name in FACTS}
        version = models["PackVersion"].objects.create(pack=pack, number=1, published_at=now, **facts)
        stems = list(pack.stems.select_related("recording").order_by("position"))
        published = {}
        for stem in stems:
            published[stem.pk] = models["PublishedStem"].objects.create(
                version=version, recording=stem.recording, name=stem.name, position=stem.position
            )
        # An archive of both forms together has no place any more; a host has it built anew.
        if pack.archive_key and all(stem.recording.format in WAV for stem in stems):
            models["Archive"].objects.create(
                version=version,
                form="wav",
                storage_key=pack.archive_key,
                sha256=pack.archive_sha256,
                size_bytes=pack.archive_bytes,
            )
        pack.current = version
        pack.save(update_fields=["current"])
        for download in models["Download"].objects.filter(pack=pack):
            download.version = version
            download.published_stem = published.get(download.stem_id)
            download.save(update_fields=["version", "published_stem"])


class Migration(migrations.Migration):

    dependencies = [
        ("packs", "0002_add_versions"),
    ]

    operations = [
        migrations.RunPython(fill, migrations.RunPython.noop),
    ]
