"""How near a practice report's numbers come to what was done to simulated mixes, and how long it takes.

Run by hand: ``python -m tests.bench.bench_practice [MIXES] [SECONDS]``. Every mix is a stretch of the demo's
song through the teacher's chains, with some faders, the bus width, a bell on the bus, the level and the start
moved by known amounts. Thresholds: the project's own goals, no outside source; truths: from the settings.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")

import django

django.setup()

# ruff: noqa: E402  the room lives beside models, which want the settings first
import numpy as np

from academy.practice.comparing import Found, compared
from academy.practice.findings import findings_of
from analysis import audiofile
from analysis.measuring.report_files import compare_files
from fixtures.desk.settings import MixSettings
from fixtures.filters import Band
from fixtures.song.score import N_FRAMES, RATE_HZ
from fixtures.song.stems import each_stem
from tests import practice_mixes

FADERS_MOVED = 4
BELLS_HZ = (125.0, 200.0, 400.0, 800.0, 1600.0, 3150.0, 6300.0)


@dataclass(frozen=True)
class Moves:
    """What was done to one mix against the reference."""

    faders_db: dict[str, float]
    width: float
    bell: Band | None
    louder_lu: float
    late_s: float

    @property
    def width_db(self) -> float:
        return 20 * float(np.log10(self.width))


@dataclass
class Errors:
    """Distances between report and truth, over all mixes."""

    stems_db: list[float] = field(default_factory=list)
    bounds_db: list[float] = field(default_factory=list)
    unsure: int = 0
    width_db: list[float] = field(default_factory=list)
    loudness_lu: list[float] = field(default_factory=list)
    offset_ms: list[float] = field(default_factory=list)
    bells: list[bool] = field(default_factory=list)
    no_bells: list[bool] = field(default_factory=list)
    loud_moves: list[bool] = field(default_factory=list)  # a stem moved by 3 dB or more is named
    seconds: list[float] = field(default_factory=list)


def random_moves(names: list[str], rng: np.random.Generator) -> Moves:
    """Four faders by up to 6 dB, half of the buses narrower or wider, half with a bell of 3 dB up or down."""
    chosen = rng.choice(names, FADERS_MOVED, replace=False)
    bell = Band("peak", float(rng.choice(BELLS_HZ)), float(rng.choice([-3.0, 3.0])), 1.0)
    return Moves(
        faders_db={str(name): float(rng.uniform(-6, 6)) for name in chosen},
        width=float(rng.uniform(0.3, 1.6)) if rng.random() < 0.5 else 1.0,
        bell=bell if rng.random() < 0.5 else None,
        louder_lu=float(rng.uniform(-4, 1)),
        late_s=float(rng.choice([0.0, rng.integers(50, 3000) / RATE_HZ])),
    )


def apply(settings: MixSettings, moves: Moves) -> MixSettings:
    """The settings with the moves made."""
    faders = {name.replace(" ", "_"): db for name, db in moves.faders_db.items()}
    changed = practice_mixes.moved(settings, **faders)
    eq = changed.bus.eq if moves.bell is None else (*changed.bus.eq, moves.bell)
    loudness_lufs = changed.delivery.loudness_lufs + moves.louder_lu
    return replace(
        changed,
        bus=replace(changed.bus, eq=eq, width=changed.bus.width * moves.width),
        delivery=replace(changed.delivery, loudness_lufs=loudness_lufs, late_s=moves.late_s),
    )


class World:
    """The stretch's stems and reference mix as files, measured once."""

    def __init__(self, folder: Path, *, length_s: float) -> None:
        self.folder = folder
        first = round(practice_mixes.START_S * RATE_HZ)
        end = min(N_FRAMES, first + round(length_s * RATE_HZ))
        cut = {stem.name: stem.audio[first:end] for stem in each_stem()}
        self.stems = {name: audio for name, audio in cut.items() if np.abs(audio).max() > 1e-4}
        self.desk = practice_mixes.desk_of(self.stems)
        self.settings = practice_mixes.reference_settings(self.stems)
        self.paths = [self.write(f"stem {name}", audio) for name, audio in self.stems.items()]
        self.spectra = [
            (practice_mixes.measured(path, audio.ndim), audio.ndim)
            for path, audio in zip(self.paths, self.stems.values(), strict=True)
        ]
        self.reference = self.write("reference", self.desk.mix(self.settings))
        self.reference_measured = practice_mixes.measured(self.reference, 2)

    def write(self, name: str, audio: Any) -> str:
        """A WAV file of it; its path."""
        path = self.folder / f"{name}.wav"
        sound = np.clip(np.asarray(audio, dtype=np.float64).reshape(len(audio), -1), -1.0, 1.0 - 2.0**-23)
        audiofile.write_wav(path, [sound], rate_hz=RATE_HZ, channels=sound.shape[1])
        return str(path)

    def report(self, moves: Moves) -> tuple[Found, float]:
        """The report of a mix with these moves, and its processor seconds."""
        path = self.write("mix", self.desk.mix(apply(self.settings, moves)))
        began = time.process_time()
        found = compared(
            practice_mixes.measured(path, 2),
            self.reference_measured,
            compare_files(path, self.paths, self.reference),
            stem_names=list(self.stems),
            stem_spectra=self.spectra,
            sections=[],
        )
        return found, time.process_time() - began


def note(errors: Errors, found: Found, moves: Moves) -> None:
    """Put one report beside its truth."""
    told = findings_of(found)
    sure = {stem["name"]: stem["difference"] for stem in found["stems"] if stem["difference"]["is_sure"]}
    errors.unsure += len(found["stems"]) - len(sure)
    off_db = {name: level["db"] - moves.faders_db.get(name, 0.0) for name, level in sure.items()}
    common_db = float(np.median(list(off_db.values())))
    errors.stems_db += [abs(value - common_db) for value in off_db.values()]
    errors.bounds_db += [level["error_db"] for level in sure.values()]
    errors.width_db.append(abs(found["width"]["own_db"] - moves.width_db))
    errors.loudness_lu.append(
        abs(found["meter"]["integrated_lufs"] - found["reference_meter"]["integrated_lufs"] - moves.louder_lu)
    )
    errors.offset_ms.append(abs(found["offset_s"] - moves.late_s) * 1000)
    tones = [finding for finding in told if finding.kind == "tone"]
    if moves.bell is None:
        errors.no_bells.append(not tones)
    else:
        errors.bells.append(any(_names(finding.sentence, moves.bell) for finding in tones))
    for name, move_db in moves.faders_db.items():
        if name in sure and abs(move_db) >= 3.0:
            errors.loud_moves.append(any(f"“{name}”" in finding.sentence for finding in told))


def _names(sentence: str, bell: Band) -> bool:
    """Whether a sentence is about the bell's own third octave or a neighbour, in the right direction."""
    direction = "more than" if bell.db > 0 else "less than"
    words = sentence.replace("\N{NO-BREAK SPACE}", " ")
    found_hz = [
        float(word) * (1000 if unit.startswith("kHz") else 1)
        for word, unit in pairwise(words.split())
        if unit.startswith(("Hz", "kHz"))
    ]
    reach = 10 ** (1.5 / 10)  # one and a half third octaves
    return direction in words and any(bell.hz / reach <= hz <= bell.hz * reach for hz in found_hz)


def _spread(values: list[float]) -> str:
    return ", ".join(f"{share:.0%} <= {np.quantile(values, share):.2f}" for share in (0.5, 0.9, 0.95, 1.0))


def main(n_mixes: int, length_s: float) -> int:
    """Print the distributions and the goals; 1 when one is missed."""
    errors, rng = Errors(), np.random.default_rng(6)
    with tempfile.TemporaryDirectory() as folder:
        world = World(Path(folder), length_s=length_s)
        for _ in range(n_mixes):
            moves = random_moves(list(world.stems), rng)
            found, seconds = world.report(moves)
            errors.seconds.append(seconds)
            note(errors, found, moves)
    n_stems = len(errors.stems_db) + errors.unsure
    inside = float(np.mean(np.array(errors.stems_db) <= np.array(errors.bounds_db)))
    print(f"{n_mixes} mixes of {length_s:g} s with {len(world.stems)} stems")
    print(f"stem differences, dB off: {_spread(errors.stems_db)}; bounds hold {inside:.1%}")
    print(f"unsure: {errors.unsure} of {n_stems} ({errors.unsure / n_stems:.0%})")
    named, moved = np.mean(errors.loud_moves), len(errors.loud_moves)
    print(f"stems moved by 3 dB or more and sure, named: {named:.0%} of {moved}")
    print(f"width, dB off: {_spread(errors.width_db)}")
    print(f"loudness, LU off: {_spread(errors.loudness_lu)}")
    print(f"start, ms off: {_spread(errors.offset_ms)}")
    print(f"bells of 3 dB named near their place: {np.mean(errors.bells):.0%} of {len(errors.bells)}")
    print(f"without a bell, no tone told: {np.mean(errors.no_bells):.0%} of {len(errors.no_bells)}")
    print(f"processor time a report: {_spread(errors.seconds)} s")
    checks = {
        "stems: median at most 0.5 dB": float(np.median(errors.stems_db)) <= 0.5,
        "stems: 95 % at most 1.5 dB": float(np.quantile(errors.stems_db, 0.95)) <= 1.5,
        "stems: bounds hold for 92 % or more": inside >= 0.92,
        "start: within half of what is told, 1 ms": max(errors.offset_ms) <= 0.5,
        "loudness: within 0.1 LU": max(errors.loudness_lu) <= 0.1,
    }
    for words, met in checks.items():
        print(f"{'met   ' if met else 'MISSED'} {words}")
    return 0 if all(checks.values()) else 1


if __name__ == "__main__":
    given = sys.argv[1:]
    sys.exit(main(int(given[0]) if given else 20, float(given[1]) if len(given) > 1 else 30.0))
