"""A kept report as its page shows it: findings, tables, pictures; and how versions moved."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from academy.packs.models import StemPack
from academy.practice import bands, comparing, grounds, pictures
from academy.practice.comparing import Found
from academy.practice.findings import Finding, findings_of, sums_told, unsure_stems
from academy.practice.models import MixState, Practice, PracticeMix, Report
from academy.templatetags.audio_text import db, dbtp, lu, lufs, number
from analysis.measuring.measuring import kept_measurement

# Name, key in the report, how it is written.
METER_LINES = (
    ("Integrated loudness", "integrated_lufs", lufs),
    ("Loudness range", "loudness_range_lu", lu),
    ("Loudest 3 s", "max_short_term_lufs", lufs),
    ("True peak", "true_peak_dbtp", dbtp),
    ("Peak to loudness", "peak_to_loudness_lu", lu),
    ("Crest", "crest_db", lambda value: db(value).removeprefix("+")),
    ("Runs of clipped samples", "clipped_runs", lambda value: number(value, 0)),
    ("Correlation of the channels", "correlation", number),
    ("Lost in mono", "mono_loss_db", lambda value: db(value).removeprefix("+")),
)


@dataclass(frozen=True)
class MeterLine:
    """One number of the meter, of the mix and of the reference, as words."""

    name: str
    mix: str
    reference: str


@dataclass(frozen=True)
class ReportPage:
    """Everything that the page of a report shows."""

    report: Report
    found: Found
    findings: list[Finding]
    unsure: list[str]
    sums: list[str]
    meter: list[MeterLine]
    stems: list[dict[str, Any]]
    bands: list[dict[str, Any]]
    difference: dict[str, Any]
    sides: dict[str, Any]
    loudness: dict[str, Any] | None
    outdated: list[str]

    @property
    def has_reference(self) -> bool:
        """Whether there was a reference mix to compare with."""
        return self.found["reference_meter"] is not None


def read(mix: PracticeMix) -> ReportPage | None:
    """The report of a version; None while there is none."""
    report = Report.objects.select_related("reference").filter(mix=mix).first()
    if report is None:
        return None
    found: Found = report.found
    reference = found["reference_meter"]
    return ReportPage(
        report=report,
        found=found,
        findings=findings_of(found) if reference else [],
        unsure=unsure_stems(found),
        sums=sums_told(found),
        meter=[
            MeterLine(name, words(found["meter"][key]), words(reference[key]) if reference else "")
            for name, key, words in METER_LINES
        ],
        stems=[
            {**stem, "bar": pictures.stem_bar(stem.get("difference"))}
            for stem in _by_difference(found["stems"])
        ],
        bands=[band | {"name": bands.name_of(band["nominal_hz"])} for band in found["bands"]],
        difference=pictures.difference_picture(found),
        sides=pictures.side_picture(found),
        loudness=_loudness(mix, report) if reference else None,
        outdated=_outdated(report, mix.practice.pack),
    )


def _outdated(report: Report, pack: StemPack) -> list[str]:
    """What the report was made from that is another now, in words."""
    found: Found = report.found
    stems = grounds.stems_mark([stem.recording for stem in grounds.stems_of(pack)])
    sections = [{"name": one["name"], "start_s": one["start_s"]} for one in found["sections"]]
    is_replaced = {
        "the reference mix": report.reference_id != pack.reference_mix_id,
        "the stems": found.get("stems_mark", stems) != stems,  # reports of practice/1 have none
        "the sections of the song": bool(sections)
        and sections != (grounds.sections_of(pack) or comparing.WHOLE_SONG),
    }
    return [name for name, replaced in is_replaced.items() if replaced]


def _by_difference(stems: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """The farthest first; those of which nothing is told come last."""

    def farness(stem: dict[str, Any]) -> float:
        level = stem.get("difference")
        return -abs(level["db"]) if level and level["is_sure"] else 1.0

    return sorted(stems, key=farness)


def _loudness(mix: PracticeMix, report: Report) -> dict[str, Any] | None:
    own = kept_measurement(mix.recording)
    reference = None if report.reference is None else kept_measurement(report.reference)
    if own is None or reference is None or own.integrated_lufs is None or reference.integrated_lufs is None:
        return None
    found = report.found
    return pictures.loudness_picture(
        own.short_term_lufs,
        reference.short_term_lufs,
        mix_lufs=own.integrated_lufs,
        reference_lufs=reference.integrated_lufs,
        late_s=found["offset_s"],
        reference_late_s=found.get("reference_offset_s", 0.0),  # reports of practice/1 have none
        sections=found["sections"] if len(found["sections"]) > 1 else [],
    )


@dataclass(frozen=True)
class ProgressLine:
    """One quantity over the versions: how far each is from the reference, and which way the last one went.

    `moved` is `towards`, `away` or `stayed`, from the last version but one that has the number to the last;
    None where fewer than two have it.
    """

    name: str
    unit: str
    values: list[float | None]
    moved: str | None


@dataclass(frozen=True)
class Progress:
    """The versions that have a report, oldest first, and every quantity over them."""

    mixes: list[PracticeMix]
    lines: list[ProgressLine]

    @property
    def rows(self) -> list[tuple[ProgressLine, list[tuple[PracticeMix, float | None]]]]:
        """Each quantity, and its number beside the version that it belongs to."""
        return [(line, list(zip(self.mixes, line.values, strict=True))) for line in self.lines]


# A change smaller than this, in the line's own unit, is no move: half of the smallest of `thresholds`.
SMALLEST_MOVE = 0.5


def progress_of(practice: Practice) -> Progress:
    """What moved towards the reference over the versions, and what away. Empty without two reports."""
    mixes = list(practice.mixes.filter(state=MixState.READY, report__isnull=False).select_related("report"))
    founds = [mix.report.found for mix in mixes if mix.report.found["reference_meter"]]
    mixes = [mix for mix in mixes if mix.report.found["reference_meter"]]
    if not founds:
        return Progress([], [])
    lines = [
        _line("Loudness of the whole", "LU", [_less(found, "integrated_lufs") for found in founds]),
        _line("Peak to loudness", "LU", [_less(found, "peak_to_loudness_lu") for found in founds]),
        _line("Side against middle", "dB", [(found["width"] or {}).get("db") for found in founds]),
        _line("Spectrum, mean distance", "dB", [_spectral_distance(found) for found in founds]),
    ]
    for stem in founds[-1]["stems"]:
        lines.append(_line(stem["name"], "dB", [_stem_difference(found, stem["name"]) for found in founds]))
    return Progress(mixes, lines)


def _line(name: str, unit: str, values: list[float | None]) -> ProgressLine:
    known = [abs(value) for value in values if value is not None]
    moved = None
    if len(known) > 1 and values[-1] is not None:
        change = known[-1] - known[-2]
        moved = "stayed" if abs(change) < SMALLEST_MOVE else "towards" if change < 0 else "away"
    return ProgressLine(name, unit, values, moved)


def _less(found: Found, key: str) -> float | None:
    own, reference = found["meter"][key], found["reference_meter"][key]
    return None if own is None or reference is None else own - reference


def _spectral_distance(found: Found) -> float | None:
    values = [abs(band["difference_db"]) for band in found["bands"] if band["difference_db"] is not None]
    return sum(values) / len(values) if values else None


def _stem_difference(found: Found, name: str) -> float | None:
    for stem in found["stems"]:
        level = stem.get("difference")
        if stem["name"] == name and level and level["is_sure"]:
            value: float = level["db"]
            return value
    return None
