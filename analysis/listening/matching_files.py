"""Match files where they lie, without a database: what the `match` command does."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Any, TypeVar

from analysis.audiofile import AudioError
from analysis.audiofile.apart import each_apart
from analysis.dsp.alignment import Offset
from analysis.dsp.matching import LevelPlan, common_rate_hz, plan_levels
from analysis.dsp.meter import Levels
from analysis.listening import copies
from analysis.listening.copies import CopyRefused

Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a file got no copy: a short word for programs, and a sentence."""

    code: str
    message: str


@dataclass(frozen=True, slots=True)
class MatchedCopy:
    """A file's finished copy: what was done to it and what was found in it."""

    copy: Path
    level_lufs: float
    gain_db: float
    offset_frames: int
    polarity: int
    offset_is_sure: bool  # True as well where there was no reference to look at
    copy_lufs: float
    second_meter_lufs: float
    copy_true_peak_dbtp: float
    sample_rate_hz: int
    frames: int


@dataclass(frozen=True, slots=True)
class MatchedSet:
    """What became of each file, in the order they were named.

    The plan is None where no file has a level; `limiting` is the file that lowered the level.
    """

    files: tuple[MatchedCopy | Refusal, ...]
    plan: LevelPlan | None
    limiting: Path | None


@dataclass(frozen=True, slots=True)
class _Heard:
    """A file as its copy will have it, before the gain."""

    offset: Offset
    levels: Levels


@dataclass(frozen=True, slots=True)
class _Order:
    """One copy to be made: all that a worker needs to know."""

    source: Path
    begun: Path  # where it is written until both meters have read it
    copy: Path
    level_lufs: float
    ceiling_dbtp: float
    gain_db: float
    offset: Offset
    rate_hz: int
    frames: int
    seed: int


def match_files(
    paths: Sequence[Path],
    folder: Path,
    *,
    wished_lufs: float,
    ceiling_dbtp: float,
    reference: Path | None = None,
) -> MatchedSet:
    """Write the listening copies of a set of files into a folder that exists.

    All copies get one level, one rate (that of the files where they agree, else 48 kHz) and one length: the
    reference's, or the longest file's. With a reference each file is aligned to its start, where the offset
    is sure. The level is planned from what will be heard: aligned, and at the common rate and length.

    A file that cannot be used is refused and the others are matched without it; silence has no level and so
    no copy. If the reference cannot be used, no file is matched. A copy is named after its file, with a
    number where two share a name; it replaces an older copy of that name, but never one of the files
    themselves.
    """
    refusals: dict[int, Refusal] = {}
    described = _each(copies.describe_source, {index: (path,) for index, path in enumerate(paths)}, refusals)
    names = _names(paths, folder, reference, refusals)
    rate_hz = common_rate_hz(found.sample_rate_hz for found in described.values())
    try:
        timed_by = described.values() if reference is None else [copies.describe_source(reference)]
    except (AudioError, CopyRefused, OSError) as error:
        why = Refusal("reference", f"The reference cannot be used. {_refusal(error).message}")
        return MatchedSet((why,) * len(paths), plan=None, limiting=None)
    frames = max((copies.frames_at(found, rate_hz=rate_hz) for found in timed_by), default=0)

    calls = {index: (paths[index], reference, rate_hz, frames) for index in described if index in names}
    heard = _with_a_level(_each(_hear, calls, refusals), refusals)
    plan = _plan(heard.values(), wished_lufs=wished_lufs, ceiling_dbtp=ceiling_dbtp)
    made: dict[int, MatchedCopy] = {}
    limiting = None
    if plan is not None:
        limiting = None if plan.limiting is None else paths[list(heard)[plan.limiting]]
        with tempfile.TemporaryDirectory(dir=folder, prefix=".match-") as workshop:
            orders = {
                index: _Order(
                    source=paths[index],
                    begun=Path(workshop, f"{index}.flac"),
                    copy=names[index],
                    level_lufs=plan.level_lufs,
                    ceiling_dbtp=ceiling_dbtp,
                    gain_db=gain_db,
                    offset=found.offset,
                    rate_hz=rate_hz,
                    frames=frames,
                    seed=index,
                )
                for (index, found), gain_db in zip(heard.items(), plan.gains_db, strict=True)
                if gain_db is not None
            }
            made = _each(_make, {index: (order,) for index, order in orders.items()}, refusals)
    files = tuple(made[index] if index in made else refusals[index] for index in range(len(paths)))
    return MatchedSet(files, plan=plan, limiting=limiting)


def _names(
    paths: Sequence[Path], folder: Path, reference: Path | None, refusals: dict[int, Refusal]
) -> dict[int, Path]:
    """Where each file's copy goes. Refuses a file whose copy would replace one of the files."""
    originals = {path.resolve() for path in (*paths, *([reference] if reference else []))}
    names: dict[int, Path] = {}
    for index, path in enumerate(paths):
        turns = (f"{path.stem}.flac" if turn == 1 else f"{path.stem} ({turn}).flac" for turn in count(1))
        name = next(folder / turn for turn in turns if folder / turn not in names.values())
        if name.resolve() in originals:
            message = f"Its copy would replace {name}, one of the files themselves. Name another folder."
            refusals.setdefault(index, Refusal("would_replace", message))
        else:
            names[index] = name
    return names


def _hear(source: Path, reference: Path | None, rate_hz: int, frames: int) -> _Heard:
    original = copies.Original(source, rate_hz=rate_hz)
    offset = Offset(frames=0, polarity=1, confidence=1.0)
    if reference is not None:
        offset = copies.offset_against(original, reference)
    levels = copies.measure_as_heard(original, offset_frames=offset.frames, frames=frames)
    return _Heard(offset, levels)


def _with_a_level(heard: Mapping[int, _Heard], refusals: dict[int, Refusal]) -> dict[int, _Heard]:
    """Those that have a loudness; the others are refused, before they can have a say in the plan."""
    for index, found in heard.items():
        if not math.isfinite(found.levels.integrated_lufs):
            message = (
                "It is silent, or shorter than the 0.4 s that a loudness takes: there is no level to match."
            )
            refusals[index] = Refusal("silent", message)
    return {index: found for index, found in heard.items() if index not in refusals}


def _plan(heard: Collection[_Heard], *, wished_lufs: float, ceiling_dbtp: float) -> LevelPlan | None:
    if not heard:
        return None
    return plan_levels(
        [found.levels.integrated_lufs for found in heard],
        [found.levels.true_peak_dbtp for found in heard],
        wished_lufs=wished_lufs,
        ceiling_dbtp=ceiling_dbtp,
    )


def _make(order: _Order) -> MatchedCopy:
    blocks = copies.rendered_blocks(
        copies.Original(order.source, rate_hz=order.rate_hz),
        gain_db=order.gain_db,
        offset_frames=order.offset.frames,
        polarity=order.offset.polarity,
        frames=order.frames,
        seed=order.seed,
    )
    levels = copies.write_copy(blocks, order.begun, rate_hz=order.rate_hz)
    second_lufs = copies.confirm_copy(
        [order.begun], levels, level_lufs=order.level_lufs, ceiling_dbtp=order.ceiling_dbtp
    )
    order.begun.replace(order.copy)
    return MatchedCopy(
        copy=order.copy,
        level_lufs=order.level_lufs,
        gain_db=order.gain_db,
        offset_frames=order.offset.frames,
        polarity=order.offset.polarity,
        offset_is_sure=order.offset.is_sure,
        copy_lufs=levels.integrated_lufs,
        second_meter_lufs=second_lufs,
        copy_true_peak_dbtp=levels.true_peak_dbtp,
        sample_rate_hz=order.rate_hz,
        frames=order.frames,
    )


def _each(
    task: Callable[..., Result], calls: Mapping[int, tuple[Any, ...]], refusals: dict[int, Refusal]
) -> dict[int, Result]:
    """What `task` returns for each call, as many at once as there are processors; refusals are noted."""
    results: dict[int, Result] = {}
    for index, result in zip(calls, each_apart(task, list(calls.values())), strict=True):
        try:
            results[index] = result()
        except (AudioError, CopyRefused, OSError) as error:
            refusals[index] = _refusal(error)
    return results


def _refusal(error: Exception) -> Refusal:
    if isinstance(error, AudioError | CopyRefused):
        return Refusal(error.code, error.message)
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return Refusal("unreadable", f"It cannot be read, or its copy cannot be written: {reason}.")
