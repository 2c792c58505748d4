from django.db import migrations, models


def say_it_in_drafts(apps, schema_editor):
    """Nobody has agreed to a draft's rules yet, so they may say it. Public ones wait for their host."""
    votes = apps.get_model("contests", "Vote").objects.filter(contest__state="draft")
    for vote in votes.select_related("contest"):
        vote.in_rules_since = vote.contest.rules_version
        vote.save(update_fields=["in_rules_since"])


class Migration(migrations.Migration):
    dependencies = [
        ("contests", "0010_public_vote"),
    ]

    operations = [
        migrations.AddField(
            model_name="vote",
            name="ending_told_at",
            field=models.DateTimeField(null=True),
        ),
        migrations.AddField(
            model_name="vote",
            name="in_rules_since",
            field=models.PositiveIntegerField(null=True),
        ),
        migrations.AddField(
            model_name="vote",
            name="opening_told_at",
            field=models.DateTimeField(null=True),
        ),
        migrations.RunPython(say_it_in_drafts, migrations.RunPython.noop),
    ]
