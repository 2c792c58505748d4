"""How far apart coders and mixers lie in what look-alikes are told by; how long a thousand entries take.

Run by hand: ``python -m tests.bench.bench_likeness [SONGS] [SECONDS]``. Thresholds: the project's own, no
outside source. The coders are libsndfile's; the mixes are simulated, see `tests.mixdowns`.
"""

import sys
import time
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import soxr
from numpy.typing import NDArray

from analysis.dsp.likeness import (
    SKETCH_RATE_HZ,
    NullDepth,
    StemSketcher,
    cell_distance_db,
    cell_sketch,
    stem_distance_db,
)
from analysis.measuring.likeness_files import ALIKE_CELLS_DB, REENCODED_STEMS_DB, compare_sketches
from analysis.measuring.sketches import Sketch
from tests.lossy import CODERS, coded
from tests.mixdowns import Desk, Samples, mixdown, random_desk, song

RATE_HZ = 48_000
SPREADS_DB = (0.25, 0.5, 1.0)
ENTRIES = 1_000
# By ear and by law of averages, half a decibel on every fader is where two mixes begin to be two. No source.
DIFFERENT = ("spread 0.5 dB", "spread 1.0 dB", "another mix")


def low(audio: Samples) -> Samples:
    """At the rate of the sketches."""
    return np.asarray(soxr.resample(audio, RATE_HZ, SKETCH_RATE_HZ), np.float32)


def moved(desk: Desk, moves_db: NDArray[np.float64]) -> Desk:
    """The desk with every fader moved."""
    pairs = zip(desk.strips, moves_db, strict=True)
    return replace(desk, strips=tuple(replace(strip, gain_db=strip.gain_db + db) for strip, db in pairs))


def variants(stems: Sequence[Samples], seed: int) -> dict[str, Samples]:
    """A mix first, then what was made from it."""
    rng = np.random.default_rng(seed)
    desk = random_desk(stems, rng)
    one_db = np.zeros(len(stems))
    one_db[0] = 0.5
    desks = {
        "the mix": desk,
        "one fader by 0.5 dB": moved(desk, one_db),
        "another mix": random_desk(stems, rng),
    }
    for spread_db in SPREADS_DB:
        desks[f"spread {spread_db} dB"] = moved(desk, rng.normal(0.0, spread_db, len(stems)))
    found = {name: mixdown(stems, one, rate_hz=RATE_HZ)[0] for name, one in desks.items()}
    return found | {coder: coded(found["the mix"], coder, rate_hz=RATE_HZ) for coder in CODERS}


def depth_db(audio: Samples, other: Samples) -> float:
    """The null of two recordings of one length."""
    null = NullDepth()
    null.add(audio.astype(np.float64), other.astype(np.float64))
    return null.depth_db


def thousand_s(*, with_stems: bool) -> float:
    """Seconds to find the pairs among a thousand stored sketches of four minutes each, by stems or by cells.

    From the JSON that they are stored as; nothing is alike, so no file is read again.
    """
    random = np.random.default_rng(1)
    stored = [
        Sketch(
            bytes_sha256=f"{at:064x}",
            audio_sha256=f"{at:064x}",
            cells=random.normal(-40.0, 10.0, (125, 20, 2)).astype(np.float32),
            stem_energies=10.0 ** random.uniform(-2.0, 0.0, 24) if with_stems else None,
            stems_sha256="1" if with_stems else "",
        ).as_json()
        for at in range(ENTRIES)
    ]
    began = time.process_time()
    pairs = compare_sketches([str(at) for at in range(ENTRIES)], [Sketch.from_json(one) for one in stored])
    assert not pairs
    return time.process_time() - began


def main(songs: int, duration_s: float) -> int:
    """Print the distances and the goals; 1 when one is missed."""
    table: dict[str, list[tuple[float, float, float]]] = {}
    for seed in range(songs):
        stems = song(8 + 2 * (seed % 9), duration_s, rate_hz=RATE_HZ, seed=100 + seed)
        mono = np.concatenate([low(stem.mean(axis=1, keepdims=True)) for stem in stems], axis=1)
        sketcher = StemSketcher(mono)
        mixes = variants(stems, seed)
        lows = [low(audio) for audio in mixes.values()]
        by_stems = stem_distance_db(np.array([sketcher.sketch(audio) for audio in lows]))[0]
        by_cells = cell_distance_db([cell_sketch(audio) for audio in lows])[0]
        for at, (name, audio) in enumerate(mixes.items()):
            figures = (depth_db(mixes["the mix"], audio), float(by_stems[at]), float(by_cells[at]))
            table.setdefault(name, []).append(figures)
    print(
        f"{songs} songs of {duration_s:g} s, against the mix: null dB, stems dB, cells dB, each least to most"
    )
    for name, figures in table.items():
        spans = (f"{min(column):8.2f} to {max(column):7.2f}" for column in zip(*figures, strict=True))
        print(f"{name:20} {'   '.join(spans)}")
    stems_s, cells_s = thousand_s(with_stems=True), thousand_s(with_stems=False)
    print(f"{ENTRIES} entries: {stems_s:.2f} s by stems, {cells_s:.2f} s by cells")

    def column(names: Sequence[str], which: int) -> list[float]:
        return [figures[which] for name in names for figures in table[name]]

    better_coders = [name for name in CODERS if name != "Vorbis 80"]
    checks = {
        "stems: every coded copy is found": max(column(list(CODERS), 1)) <= REENCODED_STEMS_DB,
        "stems: no different mix is taken for a copy": min(column(DIFFERENT, 1)) > REENCODED_STEMS_DB,
        "cells: every coded copy but at 80 kbit/s is found": max(column(better_coders, 2)) <= ALIKE_CELLS_DB,
        "cells: no other mix is taken for a copy": min(column(["another mix"], 2)) > ALIKE_CELLS_DB,
        "a thousand entries in at most 10 s": max(stems_s, cells_s) <= 10.0,
    }
    for words, met in checks.items():
        print(f"{'met   ' if met else 'MISSED'} {words}")
    return 0 if all(checks.values()) else 1


if __name__ == "__main__":
    words = sys.argv[1:]
    sys.exit(main(int(words[0]) if words else 9, float(words[1]) if len(words) > 1 else 30.0))
