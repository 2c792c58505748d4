"""What whoever runs a site asks it: is it well, is its database whole, what does a backup hold."""

from __future__ import annotations

import hashlib
from typing import Any

from django.apps import apps
from django.db import connection
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from academy.members.models import Member
from analysis.intake import keeping
from analysis.intake.models import Recording
from contests import decisions
from contests.models import Contest, Decision


def readiness() -> dict[str, bool]:
    """What the page for whoever watches the site says is well."""
    checks = Client(HTTP_HOST="localhost").get(reverse("health:ready")).json()["checks"]
    return {name: check["good"] for name, check in checks.items()}


def tables_missing() -> list[str]:
    """The models whose table is not there, or lacks a column."""
    missing = []
    with connection.cursor() as cursor:
        tables = set(connection.introspection.table_names(cursor))
        for model in apps.get_models():
            table = model._meta.db_table
            found = connection.introspection.get_table_description(cursor, table) if table in tables else []
            columns = {column.name for column in found}
            missing += [
                f"{table}.{field.column}"
                for field in model._meta.local_concrete_fields
                if field.column not in columns
            ]
    return missing


def what_there_is() -> dict[str, Any]:
    """Every row that a backup keeps, counted by its table, and the SHA-256 of all recordings as they lie."""
    kept = [model for model in apps.get_models() if model._meta.app_label not in {"contenttypes", "sessions"}]
    rows = {model._meta.label: model._default_manager.count() for model in kept}
    digests = []
    for recording in Recording.objects.order_by("sha256"):
        with keeping.opened(recording.storage_key) as file:
            digests.append(hashlib.sha256(file.read()).hexdigest())
    members = sorted(Member.objects.values_list("email", "password"))
    logs = [line.hash for line in Decision.objects.order_by("contest", "number")]
    return {"rows": rows, "sha256": digests, "members": members, "logs": logs}


def decide_something(contest: int, host: int) -> None:
    """One line in the decision log."""
    decisions.record(
        Contest.objects.get(pk=contest),
        "names shown",
        actor=Member.objects.get(pk=host),
        now=timezone.now(),
        reason="A word with ü, “quotes” and a line\nbreak.",
    )
