"""`manage.py lookalikes FILE…`: pairs of files that are copies of each other, or nearly."""

from __future__ import annotations

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from analysis.measuring.aligned import TrackRefused
from analysis.measuring.guarded import guarded
from analysis.measuring.likeness_files import Kind, Pair, find_lookalikes
from analysis.measuring.management.columns import columns, name_of
from analysis.measuring.sketches import WrongSpeed
from analysis.measuring.speed_files import advice_on

WORDS = {
    Kind.BYTES: "identical bytes",
    Kind.AUDIO: "identical audio in another file",
    Kind.COPY: "a copy with another gain or start",
    Kind.REENCODED: "a re-encoded copy: every stem at the same level",
    Kind.ALIKE: "a re-encoded copy or nearly the same mix; the stems would tell",
    Kind.NEAR_REFERENCE: "near the reference mix",
}


class Command(BaseCommand):
    """Find look-alikes; no database, no server."""

    help = (
        "Compare every file with every other and print the pairs that are copies: of the same bytes, of the "
        "same audio, with another gain or start, or after a lossy coder. With the stems of the mixes, "
        "re-encoded copies are told from mixes that are merely close. A file at a wrong speed is named on "
        "standard error. It finds; you decide. Exits 1 if a file could not be used."
    )
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Describe the call."""
        parser.add_argument("files", nargs="+", metavar="FILE", help="a WAV, RF64, BW64 or FLAC file")
        parser.add_argument(
            "--stems", nargs="+", default=[], metavar="STEM", help="the stems that the files are mixes of"
        )
        parser.add_argument(
            "--reference", metavar="MIX", help="also name the files that come near to this mix"
        )
        parser.add_argument("--json", action="store_true", help="one JSON object a line and pair")

    def handle(self, *args: Any, **options: Any) -> None:
        """Print a line a pair, the closest first; refused files go to standard error."""
        try:
            files, stems, reference = options["files"], options["stems"], options["reference"]
            found = guarded(
                find_lookalikes,
                files,
                stems,
                reference,
                paths=[*files, *stems, *filter(None, [reference])],
            )
        except TrackRefused as error:
            raise CommandError(f"{name_of(error.path)}: {error.message}", returncode=1) from error
        if options["json"]:
            for pair in found.pairs:
                self.stdout.write(json.dumps(_as_json(pair), allow_nan=False))
        elif found.pairs:
            rows = [
                (name_of(pair.a), name_of(pair.b), f"{pair.likeness:.6f}", WORDS[pair.kind])
                for pair in found.pairs
            ]
            for line in columns(
                ("file", "and", "likeness", "which is"), rows, left=("file", "and", "which is")
            ):
                self.stdout.write(line)
        else:
            self.stdout.write("No two of the files are alike.")
        for wrong in found.wrong_speeds:
            self.stderr.write(f"{name_of(wrong.path)}: {_speed_words(wrong, reference)}")
        for refused in found.refused:
            self.stderr.write(f"{name_of(refused.path)}: {refused.message}")
        if found.refused:
            raise CommandError(
                f"{len(found.refused)} of {len(options['files'])} files could not be compared.", returncode=1
            )


def _speed_words(wrong: WrongSpeed, reference: str | None) -> str:
    """What is wrong; with only another file to go by, nobody knows which of the two it is."""
    if wrong.against in {"", reference}:
        return advice_on(wrong.error)
    fast, high = ("faster", "higher") if wrong.error.percent > 0.0 else ("slower", "lower")
    return (
        f"It plays {abs(wrong.error.percent):.1f} % {fast} and {abs(wrong.error.semitones):.1f} semitones "
        f"{high} than {name_of(wrong.against)}, as sound does that is taken for another sample rate. One of "
        "the two is wrong; the stems would tell which."
    )


def _as_json(pair: Pair) -> dict[str, object]:
    return {"a": pair.a, "b": pair.b, "likeness": round(pair.likeness, 9), "kind": pair.kind.value}
