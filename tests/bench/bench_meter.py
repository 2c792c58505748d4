"""How fast the meter is, beside the bare decoder and beside three meters that others wrote, all in one run.

Run by hand: `.venv/bin/python -m tests.bench.bench_meter [FOLDER]`. The first run renders the demo's song
into FOLDER (default: a temporary one, thrown away); with a FOLDER it is there for the next run. Four minutes
of stereo, 24 bit, each contender in turn, several rounds, in one warm process; then an hour for the memory,
two workers against one, and a listening copy on its way from a file to its segments. Judged by the median of
processor time, because a busy machine stretches the wall clock. The goals are our own. Exit status 1 when one
is missed.
"""

from __future__ import annotations

import math
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pyebur128
import pyloudnorm
import soundfile
import soxr
from numpy.typing import NDArray

from analysis import audiofile
from analysis.dsp import meter
from analysis.listening import copies, second_meter
from analysis.measuring.blocks import stored_blocks
from analysis.measuring.files import measure_file
from fixtures.mixes import REFERENCE, rendered
from fixtures.song.score import RATE_HZ
from fixtures.song.stems import render_stems

DURATION_S, LONG_S = 240, 3600
ROUNDS = 7
BLOCK_FRAMES = 65_536
OPENED = "decoding alone (soundfile)"
OURS = "everything `measure` does"
LIBEBUR128 = "libebur128: I, LRA, true peak"

FLAC_OVER_DECODING, WAV_OVER_DECODING = 1.8, 3.5
FLAC_UNDER_LIBEBUR128, WAV_UNDER_LIBEBUR128 = 2.5, 3.3
COPY_OVER_DECODING_AND_ENCODING = 1.4
LARGEST_MB = 200.0
TWO_WORKERS = 1.85
SEGMENT_S = 2
COPY_ROUNDS = 5
DECODING, ENCODING = "decoding alone", "encoding alone"
SECOND_METER = "the second meter over the segments"


class Spent(NamedTuple):
    """Seconds."""

    processor_s: float
    wall_s: float


def song(seconds: int) -> Iterator[NDArray[np.float64]]:
    """The song over and over, each time at another level, as float64 blocks at its own rate."""
    stems = {name: stem.audio for name, stem in render_stems().items()}
    ((_, mix),) = rendered(stems, [REFERENCE])
    missing, turn = seconds * RATE_HZ, 0
    while missing:
        again = mix[:missing] * 10.0 ** (-(turn % 4) / 20.0)
        yield np.clip(again, -1.0, 1.0 - 2.0**-23).astype(np.float64)
        missing, turn = missing - len(again), turn + 1


def prepare(folder: Path) -> None:
    """Write what is not there yet: the song in two formats at three rates, and an hour of it."""
    if (folder / "hour.flac").exists():
        return
    folder.mkdir(parents=True, exist_ok=True)
    audio = np.concatenate(list(song(DURATION_S)))
    for rate_hz in (44_100, 48_000, 96_000):
        own = audio if rate_hz == RATE_HZ else soxr.resample(audio, RATE_HZ, rate_hz, quality="VHQ")
        own = np.clip(own, -1.0, 1.0 - 2.0**-23)
        audiofile.write_wav(folder / f"{rate_hz}.wav", [own], rate_hz=rate_hz, channels=2)
        audiofile.write_flac(folder / f"{rate_hz}.flac", [own], rate_hz=rate_hz, channels=2)
    hour = (audio for _ in range(LONG_S // DURATION_S))
    audiofile.write_flac(folder / "part.flac", hour, rate_hz=RATE_HZ, channels=2)
    (folder / "part.flac").rename(folder / "hour.flac")


def decode(path: Path) -> None:
    """The floor: nobody can measure what is not decoded."""
    into = np.empty((BLOCK_FRAMES, 2), dtype=np.float32)
    with soundfile.SoundFile(path) as sound:
        while len(sound.read(out=into)):
            pass


def read(path: Path) -> None:
    """Our own reader."""
    for _ in stored_blocks(path):
        pass


def by_pyloudnorm(path: Path) -> float:
    """Integrated loudness in LUFS."""
    audio, rate_hz = soundfile.read(path)
    return float(pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(audio))


def by_libebur128(path: Path) -> float:
    """Integrated loudness in LUFS; range and true peak, too."""
    modes = pyebur128.MeasurementMode
    with soundfile.SoundFile(path) as sound:
        state = pyebur128.R128State(2, sound.samplerate, modes.MODE_I | modes.MODE_LRA | modes.MODE_TRUE_PEAK)
        for block in sound.blocks(BLOCK_FRAMES, dtype="float32"):
            state.add_frames(block.ravel(), len(block))
    pyebur128.get_loudness_range(state)
    for channel in range(2):
        pyebur128.get_true_peak(state, channel)
    return float(pyebur128.get_loudness_global(state))


def by_ffmpeg(path: Path) -> None:
    """Its own decoder and its ebur128 filter with true peak, one thread."""
    command = ["ffmpeg", "-nostdin", "-v", "error", "-threads", "1", "-i", str(path)]
    subprocess.run(
        [*command, "-filter_threads", "1", "-af", "ebur128=peak=true", "-f", "null", "-"], check=True
    )


def spent_by(task: Callable[[Path], object], path: Path) -> Spent:
    """What one call takes, children included."""

    def processor_s() -> float:
        own, children = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
        return own.ru_utime + own.ru_stime + children.ru_utime + children.ru_stime

    wall, processor = time.perf_counter(), processor_s()
    task(path)
    return Spent(processor_s() - processor, time.perf_counter() - wall)


def race(path: Path) -> dict[str, Spent]:
    """The median of each contender, taken in turn round after round."""
    contenders: dict[str, Callable[[Path], object]] = {
        OPENED: decode,
        "our reader": read,
        OURS: lambda path: measure_file(str(path)),
        "pyloudnorm: integrated only": by_pyloudnorm,
        LIBEBUR128: by_libebur128,
    }
    if shutil.which("ffmpeg"):
        contenders["ffmpeg ebur128 with true peak"] = by_ffmpeg
    found: dict[str, list[Spent]] = {name: [] for name in contenders}
    for _ in range(ROUNDS):
        for name, task in contenders.items():
            found[name].append(spent_by(task, path))
    return {
        name: Spent(*(statistics.median(column) for column in zip(*spent, strict=True)))
        for name, spent in found.items()
    }


def measure_then_copy(path: Path, folder: Path) -> None:
    """As the site does: measured when it came in, copied when the set's level is known; decoded for each."""
    assert measure_file(str(path))["error"] is None
    cut(copies.Original(path, rate_hz=RATE_HZ), folder)


def measure_copy_confirm(path: Path, folder: Path) -> None:
    """The same, and the second meter reads the segments as they are stored."""
    measure_then_copy(path, folder)
    second_meter.read_lufs(*sorted(folder.iterdir()))


def measure_and_copy(path: Path, folder: Path) -> None:
    """As where one process does both: decoded once and kept, and our meter reads the copy as well."""
    original = measured_and_kept(path)
    cut(original, folder)


def measure_and_write(path: Path, folder: Path) -> None:
    """The same without a look at the copy: what the goal was set by."""
    original = measured_and_kept(path)
    with audiofile.SegmentWriter(
        folder, segment_frames=SEGMENT_S * RATE_HZ, rate_hz=RATE_HZ, channels=2
    ) as writer:
        for block in rendered_blocks(original):
            writer.write(block)


def measured_and_kept(path: Path) -> copies.Original:
    """A recording that is in memory, and was measured there."""
    original = copies.Original(path, rate_hz=RATE_HZ)
    original.start()
    meter.measure(original.blocks(), rate_hz=RATE_HZ, n_channels=2)
    return original


WHOLE_JOBS = {
    "measured, copied, cut; both meters read the copy": measure_copy_confirm,
    "the same without the second meter": measure_then_copy,
    "decoded once and kept; our meter reads the copy": measure_and_copy,
    "the same without a meter on the copy": measure_and_write,
}

# What the goal was set by: a file that stays in memory, and nobody reads the copy.
GOAL_JOB = "the same without a meter on the copy"


def copying(path: Path, folder: Path) -> dict[str, float]:
    """Processor seconds of decoding and encoding alone, of each step and of each whole job; medians.

    Every step that writes gets a folder of its own, and nothing is removed before the end: ext4 passes over
    each inode that was given up within the last minute, one by one, for every file that is made, and the site
    gives none up (its segments get a second name on the shelf).
    """
    blocks = [block.astype(np.int32) for block in stored_blocks(path)]
    steps: dict[str, Callable[[Path, Path], object]] = {
        DECODING: lambda path, _: decode(path),
        ENCODING: lambda _, into: encode(into.with_suffix(".flac"), blocks),
        "measuring": lambda path, _: measure_file(str(path)),
        "the copy in segments, measured": lambda path, into: cut(
            copies.Original(path, rate_hz=RATE_HZ), into
        ),
        SECOND_METER: lambda _, into: second_meter.read_lufs(*sorted(into.iterdir())),
        **WHOLE_JOBS,
    }
    found: dict[str, list[float]] = {name: [] for name in steps}
    into = folder
    for turn in range(COPY_ROUNDS):
        for number, (name, step) in enumerate(steps.items()):
            if name != SECOND_METER:  # which reads what the step before it wrote
                into = folder / f"{turn}-{number}"
            found[name].append(spent_by(partial(step, path), into).processor_s)
    return {name: statistics.median(spent) for name, spent in found.items()}


def rendered_blocks(original: copies.Original) -> Iterator[NDArray[np.int32]]:
    """A copy of four minutes."""
    return copies.rendered_blocks(
        original, gain_db=-6.0, offset_frames=0, polarity=1, frames=DURATION_S * RATE_HZ, seed=1
    )


def cut(original: copies.Original, folder: Path) -> None:
    """A copy on its way from a recording to segments that have been measured."""
    copies.write_segments(
        rendered_blocks(original),
        folder,
        rate_hz=RATE_HZ,
        frames=DURATION_S * RATE_HZ,
        segment_frames=SEGMENT_S * RATE_HZ,
    )


def encode(path: Path, blocks: list[NDArray[np.int32]]) -> None:
    """By soundfile, at the level that copies have."""
    with soundfile.SoundFile(
        path, "w", RATE_HZ, 2, "PCM_24", format="FLAC", compression_level=0.625
    ) as sound:
        for block in blocks:
            sound.write(block)


def show(title: str, spent: dict[str, Spent]) -> None:
    """One block of figures."""
    floor, ours = spent[OPENED].processor_s, spent[OURS].processor_s
    print(f"{title}   (load {os.getloadavg()[0]:.1f})")
    for name, one in spent.items():
        print(
            f"  {name:32} {one.processor_s:6.3f} s of processor, {one.wall_s:6.3f} s by the clock, "
            f"{one.processor_s / floor:5.2f} x decoding, {one.processor_s / ours:5.2f} x ours"
        )


# VmHWM and not ru_maxrss, which a new process inherits from the one that started it.
PEAK_MB = """
import sys
from analysis.dsp import meter
from analysis.measuring.files import measure_file
meter.warm_up()
found = measure_file(sys.argv[1])
assert found["error"] is None, found
print(int(open("/proc/self/status").read().split("VmHWM:")[1].split()[0]) / 1024.0)
"""


def grown_mb(job: Callable[..., object], *call: Path) -> float:
    """How many MB more than at rest a warm process holds at most while it does a job."""
    with get_context("spawn").Pool(1) as pool:
        return pool.apply(_grown_mb, (job, *call))


def _grown_mb(job: Callable[..., object], *call: Path) -> float:
    meter.warm_up()
    # 5 sets the peak back to what is held now: proc(5), /proc/pid/clear_refs.
    Path("/proc/self/clear_refs").write_text("5")
    before_mb = _held_mb("VmRSS:")
    job(*call)
    return _held_mb("VmHWM:") - before_mb


def _held_mb(name: str) -> float:
    return int(Path("/proc/self/status").read_text().split(name)[1].split()[0]) / 1024.0


def _measure_often(path: str, times: int) -> float:
    """Processor seconds for measuring a file so often."""
    meter.warm_up()
    before = time.process_time()
    for _ in range(times):
        measure_file(path)
    return time.process_time() - before


def memory(folder: Path) -> dict[str, float]:
    """The most memory, in MB, held for four minutes and for an hour, by a process that does only that."""
    return {
        name: float(subprocess.check_output([sys.executable, "-c", PEAK_MB, str(folder / name)]))
        for name in (f"{RATE_HZ}.flac", "hour.flac")
    }


def two_workers(path: Path, times: int = 8) -> float:
    """How many times the work two processes do in the time of one; the median of three tries."""
    gains = []
    with get_context("spawn").Pool(2) as pool:
        pool.starmap(_measure_often, [(str(path), 1)] * 2)
        for _ in range(3):
            begun = time.perf_counter()
            pool.apply(_measure_often, (str(path), times))
            one_s = time.perf_counter() - begun
            begun = time.perf_counter()
            pool.starmap(_measure_often, [(str(path), times)] * 2, chunksize=1)
            gains.append(2.0 * one_s / (time.perf_counter() - begun))
    return statistics.median(gains)


def main(folder: Path) -> int:
    """Print every figure and every goal; 1 when a goal is missed."""
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    prepare(folder)
    meter.warm_up()
    found = {}
    for rate_hz in (48_000, 44_100, 96_000):
        for suffix in ("flac", "wav"):
            path = folder / f"{rate_hz}.{suffix}"
            found[rate_hz, suffix] = race(path)
            show(f"{DURATION_S} s of {suffix.upper()}, {rate_hz} Hz, stereo", found[rate_hz, suffix])
            ours = measure_file(str(path))["integrated_lufs"]
            assert isinstance(ours, float)
            assert math.isclose(ours, by_libebur128(path), abs_tol=0.03), "the two meters disagree"
    peak_mb = memory(folder)
    for name, megabytes in peak_mb.items():
        print(f"memory for {name}: {megabytes:.0f} MB")
    gain = two_workers(folder / "48000.flac")
    print(f"two workers do {gain:.2f} times the work of one   (load {os.getloadavg()[0]:.1f})")

    with tempfile.TemporaryDirectory(dir=folder) as workshop:
        spent_s = copying(folder / "48000.flac", Path(workshop))
        grown = {
            name: grown_mb(job, folder / "48000.flac", Path(workshop) / "segments")
            for name, job in WHOLE_JOBS.items()
        }
    floor_s = spent_s[DECODING] + spent_s[ENCODING]
    print(f"four minutes of FLAC, 48000 Hz, to segments   (load {os.getloadavg()[0]:.1f})")
    for name, seconds in spent_s.items():
        memory_words = f", {grown[name]:4.0f} MB beyond a process at rest" if name in grown else ""
        print(
            f"  {name:48} {seconds:6.3f} s of processor, "
            f"{seconds / floor_s:4.2f} x decoding and encoding{memory_words}"
        )
    hour_mb = grown_mb(second_meter.read_lufs, folder / "hour.flac")
    print(f"the second meter over an hour: {hour_mb:.0f} MB beyond a process at rest")
    over_floor = spent_s[GOAL_JOB] / floor_s

    def ratio(suffix: str, over: str, under: str) -> float:
        spent = found[48_000, suffix]
        return spent[over].processor_s / spent[under].processor_s

    goals = {
        f"FLAC: at most {FLAC_OVER_DECODING} x decoding": (
            ratio("flac", OURS, OPENED),
            ratio("flac", OURS, OPENED) <= FLAC_OVER_DECODING,
        ),
        f"FLAC: at least {FLAC_UNDER_LIBEBUR128} x faster than libebur128": (
            ratio("flac", LIBEBUR128, OURS),
            ratio("flac", LIBEBUR128, OURS) >= FLAC_UNDER_LIBEBUR128,
        ),
        f"WAV: at most {WAV_OVER_DECODING} x decoding": (
            ratio("wav", OURS, OPENED),
            ratio("wav", OURS, OPENED) <= WAV_OVER_DECODING,
        ),
        f"WAV: at least {WAV_UNDER_LIBEBUR128} x faster than libebur128": (
            ratio("wav", LIBEBUR128, OURS),
            ratio("wav", LIBEBUR128, OURS) >= WAV_UNDER_LIBEBUR128,
        ),
        f"measured and copied in one go: at most {COPY_OVER_DECODING_AND_ENCODING} x decoding and encoding": (
            over_floor,
            over_floor <= COPY_OVER_DECODING_AND_ENCODING,
        ),
        f"an hour: at most {LARGEST_MB:.0f} MB": (peak_mb["hour.flac"], peak_mb["hour.flac"] <= LARGEST_MB),
        f"two workers: at least {TWO_WORKERS} x one": (gain, gain >= TWO_WORKERS),
    }
    for words, (figure, met) in goals.items():
        print(f"{'met   ' if met else 'MISSED'} {words}: {figure:.2f}")
    return 0 if all(met for _, met in goals.values()) else 1


if __name__ == "__main__":
    if len(sys.argv) > 1:
        sys.exit(main(Path(sys.argv[1])))
    with tempfile.TemporaryDirectory() as temporary:
        sys.exit(main(Path(temporary)))
