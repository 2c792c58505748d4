"""`manage.py balance MIX --stems STEM…`: how loud each stem stands in a mix, and against a reference mix."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from analysis.dsp.balance import StemGroup
from analysis.dsp.stemlevels import SURE, SURE_WITHIN_DB, StemLevel
from analysis.measuring.aligned import TrackRefused
from analysis.measuring.balance_files import FoundBalance, balance_files
from analysis.measuring.guarded import guarded
from analysis.measuring.management.columns import columns, name_of, number
from analysis.measuring.speed_files import advice_on, speed_error_of

# Less than this of a mix explained: something else is in it, or the stems are not its own. No source.
WELL_EXPLAINED = 0.8
NOT_FOUND = "not in it"
UNSURE = "unsure"


class Command(BaseCommand):
    """Find the stem balance; no database, no server."""

    help = (
        "Estimate how loud each stem stands in a mix: fader, pan and equaliser together, relative to the "
        "stem as it is. With a reference mix of the same stems, also how each differs from it, less what "
        f"all have in common. A number is given only where it is at least {100 * SURE:.0f} percent sure to "
        f"lie within {SURE_WITHIN_DB} dB. Of stems that sound too much alike to be told apart, the level of "
        "their sum is given where that is sure. Exits 1 if a file could not be used."
    )
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Describe the call."""
        parser.add_argument("mix", metavar="MIX", help="a WAV, RF64, BW64 or FLAC file, mono or stereo")
        parser.add_argument(
            "--stems", nargs="+", required=True, metavar="STEM", help="its stems, all from one start"
        )
        parser.add_argument("--reference", metavar="MIX2", help="another mix of the same stems")
        parser.add_argument(
            "--json", action="store_true", help="one JSON object a line, null where undefined or unsure"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Print a line a stem and the summary; remarks go to standard error."""
        mix, stems, reference = options["mix"], options["stems"], options["reference"]
        try:
            found = guarded(
                balance_files, mix, stems, reference, paths=[mix, *stems, *filter(None, [reference])]
            )
            remarks = list(_remarks(found, mix, reference, stems))
        except TrackRefused as refused:
            if options["json"]:
                for line in _refused_lines(stems, refused):
                    self.stdout.write(json.dumps(line, allow_nan=False))
            raise CommandError(f"{name_of(refused.path)}: {refused.message}", returncode=1) from refused
        if options["json"]:
            for line in _json_lines(found):
                self.stdout.write(json.dumps(line, allow_nan=False))
        else:
            for text in _table(found):
                self.stdout.write(text)
        for remark in remarks:
            self.stderr.write(remark)


def _json_lines(found: FoundBalance) -> Iterator[dict[str, object]]:
    numbers = {at: number for number, group in enumerate(found.groups, 1) for at in group.members}
    for at, one in enumerate(found.stems):
        yield {
            "stem": one.stem,
            **_numbers(one.level, one.reference, one.difference),
            "group": numbers.get(at),
        }
    yield {
        "summary": True,
        "offset_frames": found.offset_frames if found.offset_is_sure else None,
        "explained": _finite(found.explained),
        "residual_db": _finite(found.residual_db),
        "error": None,
        "groups": [
            {
                "group": number,
                "stems": [found.stems[at].stem for at in group.members],
                **_numbers(group.level, group.reference, group.difference),
            }
            for number, group in enumerate(found.groups, 1)
        ],
    }


def _numbers(
    level: StemLevel, reference: StemLevel | None, difference: StemLevel | None
) -> dict[str, object]:
    """What is said of a stem, or of a sum; `error_db` is half of the 95 % bounds of the last of them."""
    last = difference or level
    return {
        "gain_db": _told(level),
        "reference_gain_db": _told(reference),
        "difference_db": _told(difference),
        "confidence": round(last.confidence, 4),
        "error_db": round(last.error_db, 3) if last.is_sure else None,
    }


def _refused_lines(stems: list[str], refused: TrackRefused) -> Iterator[dict[str, object]]:
    nothing = dict.fromkeys(
        ("gain_db", "reference_gain_db", "difference_db", "confidence", "error_db", "group")
    )
    for stem in stems:
        yield {"stem": stem} | nothing
    error = {"code": refused.code, "message": f"{name_of(refused.path)}: {refused.message}"}
    summary = {"summary": True} | dict.fromkeys(("offset_frames", "explained", "residual_db"))
    yield summary | {"error": error, "groups": []}


def _told(level: StemLevel | None) -> float | None:
    """The number where it is sure, to a thousandth."""
    return round(level.db, 3) if level is not None and level.is_sure else None


def _finite(value: float) -> float | None:
    return round(value, 4) if math.isfinite(value) else None


def _table(found: FoundBalance) -> Iterator[str]:
    with_reference = any(one.reference for one in found.stems)
    header = ["in the mix", "±", *(["in the reference", "± ", "difference", "±  "] if with_reference else [])]
    rows = [[name_of(one.stem), *_cells(one.level, one.reference, one.difference)] for one in found.stems]
    yield from columns(["stem", *header], rows, left=["stem"])
    yield ""
    if found.groups:
        yield "These sound too much alike to be told apart; their sum stands at:"
        yield from columns(
            ["sum of", *header], [_group_row(group, found) for group in found.groups], left=["sum of"]
        )
        yield ""
    yield (
        f"The stems explain {number(100.0 * found.explained, '.1f')} % of the mix; "
        f"what they do not explain lies at {number(found.residual_db, '.1f')} dB."
    )
    yield "Levels in dB; ± is half of the 95 % bounds."


def _group_row(group: StemGroup, found: FoundBalance) -> list[str]:
    names = " + ".join(name_of(found.stems[at].stem) for at in group.members)
    return [names, *_cells(group.level, group.reference, group.difference)]


def _cells(*levels: StemLevel | None) -> list[str]:
    cells = []
    for level in levels:
        if level is None:
            continue
        if level.is_sure:
            cells += [number(level.db, "+z.2f"), number(level.error_db, ".2f")]
        else:
            cells += [NOT_FOUND if level.is_absent else UNSURE, ""]
    return cells


def _remarks(found: FoundBalance, mix: str, reference: str | None, stems: list[str]) -> Iterator[str]:
    """What to know before the numbers are believed."""
    for path, is_sure in ((mix, found.offset_is_sure), (reference, found.reference_is_sure)):
        if path is None or is_sure:
            continue
        wrong_speed = speed_error_of(path, *stems)
        if wrong_speed is not None:
            yield f"{name_of(path)}: {advice_on(wrong_speed)}"
            continue
        yield (
            f"{name_of(path)}: no start in common with the stems stands out, so it was taken as it lies. "
            "Export mix and stems from the same start."
        )
    if not found.explained >= WELL_EXPLAINED and math.isfinite(found.explained):
        yield (
            f"{name_of(mix)}: the stems explain little of it. Something else is in the mix, a stem is "
            "missing, or it was made from other takes."
        )
    if math.isnan(found.explained):
        yield f"{name_of(mix)}: it is silent where the stems are; there is no balance to find."
