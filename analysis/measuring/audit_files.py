"""Audit a set of stems where they lie, without a database: what the `audit` command prints.

Every file is read once, side by side with the others, in blocks: memory depends on how many they are and not
on how long.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from analysis.audiofile import METER_LIMITS, AudioDescription, AudioError, describe, read_blocks
from analysis.dsp import stereo
from analysis.dsp.dynamics import SILENT_BELOW_DBFS, Dynamics
from analysis.dsp.errors import SampleError
from analysis.dsp.stemaudit import StemSet
from analysis.measuring import audit_findings as say
from analysis.measuring import file_names
from analysis.measuring.audit_findings import Finding

BLOCK_FRAMES = 65_536
# Files that are meant to be sound, so that one which cannot be read is an error and not a paper.
SOUND_ENDINGS = {".wav", ".wave", ".bwf", ".rf64", ".flac"}
SOUND_ENDINGS |= {".aif", ".aiff", ".caf", ".w64", ".mp3", ".m4a", ".ogg", ".opus"}

# An offset of a thousandth of full scale. Common practice, no source.
DC_FROM = 1e-3
# The room that stems are given below full scale. Common practice, no source.
USUAL_PEAK_DBFS = -6.0
# A stereo file is mono where its side lies 90 dB below its middle: the rounding of 16 bit.
MONO_SIDE_POWER = 1e-9
# Left and right that are opposite for the most part. Common practice, no source.
OPPOSITE_BELOW = -0.9
# Silence that is worth a word: of all together, and of one more than all have. Common practice, no source.
COMMON_SILENCE_S = 0.5
LATE_S = 10.0

DEPTHS = {"PCM_16": "16 bit", "PCM_24": "24 bit", "PCM_32": "32 bit", "FLOAT": "32 bit float"}
Value = TypeVar("Value", bound=Hashable)


@dataclass(frozen=True, slots=True)
class Stem:
    """One file of a set, under the name by which the findings speak of it."""

    name: str
    path: Path


@dataclass(frozen=True, slots=True)
class _Track:
    """A stem that can be read, and what is measured of it on the way."""

    name: str
    path: Path
    description: AudioDescription
    dynamics: Dynamics


class _Broken(Exception):
    """A stem that turned out not to be readable to its end."""

    def __init__(self, track: _Track, finding: Finding) -> None:
        super().__init__(finding.message)
        self.track, self.finding = track, finding


def audit_folder(folder: Path) -> list[Finding]:
    """All that is to be said about a folder of stems: of each file, and then of the set.

    Folders in it are not looked into. Raises OSError where the folder itself cannot be read.
    """
    findings: list[Finding] = []
    stems: list[Stem] = []
    for path in sorted(folder.iterdir(), key=lambda path: (path.name.casefold(), path.name)):
        if not path.is_file():
            findings.append(say.no_file(path.name))
        elif path.suffix.lower() in SOUND_ENDINGS or _is_sound(path):
            stems.append(Stem(path.name, path))
        else:
            findings.append(say.not_audio(path.name))
    return [*findings, *audit_names([stem.name for stem in stems]), *audit_stems(stems)]


def audit_names(names: Sequence[str]) -> list[Finding]:
    """What is wrong with the names of files that are to lie in one folder."""
    findings = [say.bad_name(name, *trouble) for name in names for trouble in file_names.troubles(name)]
    for group in file_names.clashes(names):
        findings += [say.names_clash(name, [other for other in group if other != name]) for name in group]
    return findings


def audit_stems(stems: Sequence[Stem]) -> list[Finding]:
    """What is to be said about the sound of a set of stems. Names of files are not looked at here.

    One that cannot be read is an error, and the others are audited without it. Stems at another rate than
    most are measured alone: they take no part in the sum and in the pairs.
    """
    if not stems:
        return [say.empty()]
    tracks, findings = _opened(stems)
    if not tracks:
        return findings
    rate_hz = _commonest([track.description.sample_rate_hz for track in tracks])
    together = [track for track in tracks if track.description.sample_rate_hz == rate_hz]
    found, stem_set, together = _listened(together)
    findings += found
    measured = list(together)
    for track in tracks:
        if track.description.sample_rate_hz != rate_hz:
            found, _, alone = _listened([track])
            findings += found
            measured += alone
    for track in measured:
        findings += _of_one(track)
    findings += _of_formats(measured, rate_hz=rate_hz)
    if stem_set is not None:
        findings += _of_lengths(together, rate_hz=rate_hz)
        findings += _of_starts(together, rate_hz=rate_hz)
        findings += _of_pairs(together, stem_set)
        findings.append(say.plain_sum(stem_set.sum_true_peak_dbtp, len(together), len(stems)))
    return findings


def _is_sound(path: Path) -> bool:
    """Whether the content is sound that we know, whatever it is called."""
    try:
        describe(path, METER_LIMITS)
    except (AudioError, OSError):
        return False
    return True


def _opened(stems: Sequence[Stem]) -> tuple[list[_Track], list[Finding]]:
    """The stems whose headers can be used, and what is wrong with the others."""
    tracks: list[_Track] = []
    findings: list[Finding] = []
    for stem in stems:
        try:
            found = describe(stem.path, METER_LIMITS)
        except AudioError as error:
            findings.append(say.refused(stem.name, error))
        except OSError as error:
            findings.append(say.unreadable(stem.name, error))
        else:
            if found.channels > 2:
                findings.append(say.many_channels(stem.name, found.channels))
            else:
                tracks.append(_track(stem.name, stem.path, found))
    return tracks, findings


def _track(name: str, path: Path, found: AudioDescription) -> _Track:
    return _Track(name, path, found, Dynamics(rate_hz=found.sample_rate_hz, n_channels=found.channels))


def _listened(tracks: list[_Track]) -> tuple[list[Finding], StemSet | None, list[_Track]]:
    """Read tracks of one rate side by side.

    Returns what cannot be read, the set (None without a readable track), and the tracks that are in it. One
    that breaks off is left out and the others are read again: else half of it would be in the sum.
    """
    findings: list[Finding] = []
    while tracks:
        try:
            return findings, _side_by_side(tracks), tracks
        except _Broken as broken:
            findings.append(broken.finding)
            tracks = [
                _track(one.name, one.path, one.description) for one in tracks if one is not broken.track
            ]
    return findings, None, []


def _side_by_side(tracks: Sequence[_Track]) -> StemSet:
    stem_set = StemSet(rate_hz=tracks[0].description.sample_rate_hz, n_stems=len(tracks))
    readers = [_read(track) for track in tracks]
    longest = max(track.description.frames for track in tracks)
    together = np.empty((len(tracks), BLOCK_FRAMES, 2), np.float32)
    for start in range(0, longest, BLOCK_FRAMES):
        together[:] = 0.0
        for place, reader in zip(together, readers, strict=True):
            block = next(reader, None)
            if block is not None:
                place[: len(block)] = block  # a mono block goes to both channels
        stem_set.add(together[:, : longest - start])
    stem_set.finish()
    return stem_set


def _read(track: _Track) -> Iterator[NDArray[np.float64]]:
    """The blocks of a track, each measured as it goes by. Raises _Broken."""
    try:
        for block in read_blocks(track.path, block_frames=BLOCK_FRAMES):
            track.dynamics.add(block)
            yield block
    except AudioError as error:
        raise _Broken(track, say.refused(track.name, error)) from error
    except SampleError as error:
        raise _Broken(track, say.not_finite(track.name)) from error
    except OSError as error:
        raise _Broken(track, say.unreadable(track.name, error)) from error


def _of_one(track: _Track) -> Iterator[Finding]:
    name, dynamics = track.name, track.dynamics
    if not dynamics.sample_peak:
        yield say.silent(name)
        return
    peak_dbfs = 20.0 * math.log10(dynamics.sample_peak)
    if peak_dbfs < SILENT_BELOW_DBFS:
        yield say.nearly_silent(name, peak_dbfs)
    if dynamics.clipped_runs:
        yield say.clipped(name, dynamics.clipped_runs)
    elif peak_dbfs > USUAL_PEAK_DBFS:
        yield say.hot(name, peak_dbfs)
    if abs(dynamics.dc_offset) >= DC_FROM:
        yield say.dc_offset(name, dynamics.dc_offset)
    if track.description.channels == 2:
        yield from _of_sides(name, dynamics.products.total())


def _of_sides(name: str, products: NDArray[np.float64]) -> Iterator[Finding]:
    """`products` are those of left, of right, and of both."""
    left, right, both = products.tolist()
    if not left or not right:
        yield say.one_side(name, "left" if left else "right")
    elif left + right - 2.0 * both <= MONO_SIDE_POWER * (left + right + 2.0 * both):
        yield say.mono_in_stereo(name)
    elif stereo.correlation(products) < OPPOSITE_BELOW:
        yield say.opposite_sides(name)


def _of_formats(tracks: Sequence[_Track], *, rate_hz: int) -> Iterator[Finding]:
    subtypes = [track.description.subtype for track in tracks]
    for track in tracks:
        found = track.description
        if found.sample_rate_hz != rate_hz:
            yield say.other_rate(track.name, found.sample_rate_hz, rate_hz)
        if found.subtype != _commonest(subtypes):
            yield say.other_depth(track.name, DEPTHS[found.subtype], DEPTHS[_commonest(subtypes)])


def _of_lengths(tracks: Sequence[_Track], *, rate_hz: int) -> Iterator[Finding]:
    usual = _commonest([track.description.frames for track in tracks])
    for track in tracks:
        if track.description.frames != usual:
            yield say.other_length(track.name, (track.description.frames - usual) / rate_hz)


def _of_starts(tracks: Sequence[_Track], *, rate_hz: int) -> Iterator[Finding]:
    starts = {track.name: common_start_frames([track.dynamics]) for track in tracks}
    common = common_start_frames([track.dynamics for track in tracks])
    if common >= COMMON_SILENCE_S * rate_hz:
        yield say.common_silence(common / rate_hz)
    for name, start in starts.items():
        if start - common >= LATE_S * rate_hz:
            yield say.late_start(name, start / rate_hz)


def common_start_frames(measured: Sequence[Dynamics]) -> int:
    """Frames of silence with which all of these begin; those that never sound do not count. 0 for none."""
    starts = [one.leading_silence_frames for one in measured if one.leading_silence_frames < one.n_frames]
    return min(starts, default=0)


def _of_pairs(tracks: Sequence[_Track], stem_set: StemSet) -> Iterator[Finding]:
    copies = {(pair.first, pair.second): pair for pair in stem_set.copies()}
    for pair in copies.values():
        yield say.copy_of(tracks[pair.second].name, tracks[pair.first].name, turned=pair.correlation < 0)
    for pair in stem_set.partners():
        if pair.correlation < 0 and (pair.first, pair.second) not in copies:
            yield say.turned(
                tracks[pair.second].name,
                tracks[pair.first].name,
                correlation=pair.correlation,
                lag_s=pair.lag_s,
            )


def _commonest(values: Sequence[Value]) -> Value:
    """The value that is there most often; of several the one that came first."""
    return Counter(values).most_common(1)[0][0]
