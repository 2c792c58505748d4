"""Render the invented song, its mixes and the lessons' comparisons into WAV files, once.

Side by side on all cores. What the fixtures leave to their caller is done here: the lossy round trip of the
look-alike, and the entry at another rate.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from analysis import audiofile
from fixtures import mixes, practising
from fixtures.desk.mixing import Desk
from fixtures.desk.settings import MixSettings
from fixtures.scenario import SCENARIO
from fixtures.song.score import RATE_HZ
from fixtures.song.stems import each_stem

LOSSY_QUALITY = 0.4  # of Vorbis, 0 to 1
BLOCK_FRAMES = 65_536

Audio = NDArray[np.float64] | NDArray[np.float32]
Say = Callable[[str], object]


@dataclass(frozen=True)
class DemoAudio:
    """Where the rendered files are."""

    folder: Path

    def stem(self, name: str) -> Path:
        """One raw track."""
        return self.folder / "stems" / f"{name}.wav"

    def mix(self, key: str) -> Path:
        """The reference, or an entrant's mix."""
        return self.folder / "mixes" / f"{key}.wav"

    def side(self, pair: str, side: str) -> Path:
        """One side of a lesson's comparison, by the name that `fixtures.mixes.Pair` gives it."""
        return self.folder / "pairs" / f"{pair} {side}.wav"

    @property
    def stem_titles(self) -> dict[str, str]:
        """Title of each stem by name, in the order of the pack."""
        titles: dict[str, str] = json.loads((self.folder / "stems.json").read_text())
        return titles


def render_all(folder: Path, say: Say) -> DemoAudio:
    """Render whatever is not there yet. An interrupted run leaves no half file."""
    audio = DemoAudio(folder)
    for name in ("stems", "mixes", "pairs"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    if not (folder / "stems.json").exists():
        say("Playing the fourteen tracks of the song …")
        _render_stems(audio)
    wanted = [job for job in _mixing_jobs(audio) if not all(path.exists() for path in job.paths)]
    if wanted:
        say(f"Mixing it {len(wanted)} ways …")
        _side_by_side(audio, wanted)
    return audio


@dataclass(frozen=True)
class _Way:
    """How one mix is made."""

    settings: MixSettings
    sample_rate_hz: int = RATE_HZ
    reencode: bool = False


@dataclass(frozen=True)
class _MixingJob:
    way: _Way
    paths: list[Path]  # wherever the demo wants this very mix


def _mixing_jobs(audio: DemoAudio) -> list[_MixingJob]:
    """Everything to mix, each mix once: the better side of a lesson's comparison is the reference mix."""
    jobs = list[_MixingJob]()
    for path, way in _wanted_mixes(audio):
        same = next((job for job in jobs if job.way == way), None)  # settings hold mappings: no hash
        if same is None:
            jobs.append(_MixingJob(way, [path]))
        else:
            same.paths.append(path)
    return jobs


def _wanted_mixes(audio: DemoAudio) -> Iterator[tuple[Path, _Way]]:
    for mix in (mixes.REFERENCE, *SCENARIO.entries):
        yield audio.mix(mix.key), _Way(mix.settings, mix.sample_rate_hz, mix.reencode)
    for version in practising.VERSIONS:
        if version.settings is not None:
            yield audio.mix(version.key), _Way(version.settings)
    for pair in SCENARIO.pairs:
        for side, settings in pair.sides.items():
            yield audio.side(pair.key, side), _Way(settings)


def _render_stems(audio: DemoAudio) -> None:
    titles = {}
    for stem in each_stem():
        _write(audio.stem(stem.name), stem.audio, rate_hz=RATE_HZ)
        titles[stem.name] = stem.title
    (audio.folder / "stems.json").write_text(json.dumps(titles))


def _side_by_side(audio: DemoAudio, jobs: Sequence[_MixingJob]) -> None:
    workers = os.cpu_count() or 1
    # Neighbours share channel strips, so each process gets a run of them. Spawned: the caller has threads.
    size = -(-len(jobs) // workers)
    shares = [jobs[start : start + size] for start in range(0, len(jobs), size)]
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        for done in [pool.submit(_mix_share, audio, share) for share in shares]:
            done.result()


def _mix_share(audio: DemoAudio, jobs: Sequence[_MixingJob]) -> None:
    stems = {name: _read(audio.stem(name)) for name in audio.stem_titles}
    desk = Desk(stems, rate_hz=RATE_HZ)
    for job in jobs:
        first, *others = job.paths
        mixed: Audio = desk.mix(job.way.settings)
        if job.way.reencode:
            mixed = _lossy_round_trip(mixed, first.with_suffix(".ogg"))
        if job.way.sample_rate_hz != RATE_HZ:
            mixed = soxr.resample(mixed, RATE_HZ, job.way.sample_rate_hz, quality="VHQ")
        _write(first, mixed, rate_hz=job.way.sample_rate_hz)
        for path in others:
            unfinished = shutil.copyfile(first, path.with_suffix(".part"))
            unfinished.rename(path)


def _read(path: Path) -> NDArray[np.float64]:
    audio = np.concatenate(list(audiofile.read_blocks(path)))
    return audio[:, 0] if audio.shape[1] == 1 else audio


def _write(path: Path, audio: Audio, *, rate_hz: int) -> None:
    audio = np.clip(audio[:, None] if audio.ndim == 1 else audio, -1.0, 1.0 - 2.0**-23)
    unfinished = path.with_suffix(".part")
    audiofile.write_wav(unfinished, [audio], rate_hz=rate_hz, channels=audio.shape[1])
    unfinished.rename(path)


def _lossy_round_trip(audio: Audio, scratch: Path) -> NDArray[np.float64]:
    with soundfile.SoundFile(
        scratch, "w", RATE_HZ, 2, "VORBIS", format="OGG", compression_level=1.0 - LOSSY_QUALITY
    ) as coder:
        for start in range(0, len(audio), BLOCK_FRAMES):
            coder.write(audio[start : start + BLOCK_FRAMES])
    decoded, _ = soundfile.read(scratch, always_2d=True)
    scratch.unlink()
    padded: NDArray[np.float64] = np.zeros(audio.shape)
    padded[: len(decoded)] = decoded[: len(audio)]
    return padded
