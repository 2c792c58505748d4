"""A report as JSON, for whoever wants to keep or to plot it: ASCII minus, null where undefined."""

from __future__ import annotations

import json
from dataclasses import asdict

from academy.practice.findings import findings_of
from academy.practice.models import PracticeMix, Report
from academy.templatetags.audio_text import MINUS, NO_BREAK


def report_json(mix: PracticeMix) -> str | None:
    """Everything that was found, and the findings in words. None while there is no report."""
    report = Report.objects.filter(mix=mix).first()
    if report is None:
        return None
    told = findings_of(report.found) if report.found["reference_meter"] else []
    kept = {
        "pack": mix.practice.pack.title,
        "version": mix.number,
        "received_at": mix.received_at.isoformat(),
        "recipe": report.recipe,
        "made_at": report.made_at.isoformat(),
        "findings": [asdict(finding) for finding in told],
        **report.found,
    }
    text = json.dumps(kept, indent=2, ensure_ascii=False, allow_nan=False)
    return text.replace(MINUS, "-").replace(NO_BREAK, " ") + "\n"
