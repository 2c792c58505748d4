"""Compare what was delivered with what the contest asks for. Pure: no database, no files, no clock."""

from __future__ import annotations

from dataclasses import dataclass

from academy.templatetags.audio_text import NO_BREAK, channels, db, dbtp, depth, khz, lufs, number
from analysis.audiofile.errors import AudioError

SHORTEST_S = 0.4
"""One gating block of ITU-R BS.1770-4, Annex 1: anything shorter has no loudness to match."""
SHORTEST_DIFFERENCE_S = 1e-6
"""Less than one sample at any rate that is taken, so that rounding of a quotient is never a finding."""

BITS_OF_SUBTYPE = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32}


@dataclass(frozen=True)
class DeliverySpec:
    """What a contest asks for. None asks for nothing."""

    channels: int
    sample_rate_hz: int | None = None
    bit_depth: int | None = None
    true_peak_ceiling_dbtp: float | None = None
    length_tolerance_s: float | None = None
    reference_s: float | None = None  # length of the reference mix
    lowest_lufs: float | None = None
    highest_lufs: float | None = None


@dataclass(frozen=True)
class Delivered:
    """What arrived: the file as described, and what the meter found. None where undefined."""

    sample_rate_hz: int
    subtype: str
    channels: int
    duration_s: float
    integrated_lufs: float | None
    true_peak_dbtp: float | None
    silent: bool


@dataclass(frozen=True)
class Finding:
    """One thing that is not as asked, in the entrant's words."""

    code: str
    message: str


def findings(spec: DeliverySpec, delivered: Delivered, *, earlier_stands: bool) -> list[Finding]:
    """Everything about a file that is not as the contest asks, in the order of an export dialogue.

    Each says what was found, what is asked and what to do; `earlier_stands` adds that an earlier entry still
    stands. Empty when the file is as asked. Rates, depths and channels are compared exactly, lengths in
    seconds, and true peak and loudness as they are shown, to a tenth: anything finer is within the tolerance
    of meters (EBU Tech 3341, table 1: ±0.1 LU for loudness, +0.2/−0.4 dB for true peak).
    """
    found = [
        _rate(spec, delivered),
        _depth(spec, delivered),
        _channels(spec, delivered),
        _sound(delivered),
        _length(spec, delivered),
        _true_peak(spec, delivered),
        _loudness(spec, delivered),
    ]
    closing = _closing(earlier_stands)
    # Plain spaces: these sentences also leave the page, as JSON and in letters.
    return [
        Finding(one.code, (one.message + closing).replace(NO_BREAK, " ")) for one in found if one is not None
    ]


def finding_of(error: AudioError, *, earlier_stands: bool) -> Finding:
    """A file that could not be decoded after all, as a finding."""
    reassurance = " Your earlier entry still stands." if earlier_stands else ""
    return Finding(error.code, error.message + reassurance)


def _closing(earlier_stands: bool) -> str:
    return " and upload; your earlier entry still stands." if earlier_stands else " and upload."


def _rate(spec: DeliverySpec, delivered: Delivered) -> Finding | None:
    if spec.sample_rate_hz is None or delivered.sample_rate_hz == spec.sample_rate_hz:
        return None
    asked = khz(spec.sample_rate_hz)
    return Finding(
        "sample_rate",
        f"Your file is {khz(delivered.sample_rate_hz)}; this contest asks for {asked}. "
        f"Export again at {asked}",
    )


def _depth(spec: DeliverySpec, delivered: Delivered) -> Finding | None:
    if spec.bit_depth is None or BITS_OF_SUBTYPE[delivered.subtype] == spec.bit_depth:
        return None
    asked = f"{spec.bit_depth} bit"
    return Finding(
        "bit_depth",
        f"Your file is {depth(delivered.subtype)}; this contest asks for {asked}. Export again at {asked}",
    )


def _channels(spec: DeliverySpec, delivered: Delivered) -> Finding | None:
    if delivered.channels == spec.channels:
        return None
    asked = channels(spec.channels)
    return Finding(
        "channels",
        f"Your file is {channels(delivered.channels)}; this contest asks for {asked}. "
        f"Export again as one {asked} file",
    )


def _sound(delivered: Delivered) -> Finding | None:
    if delivered.silent:
        return Finding(
            "silent",
            "Your file is silent: every sample is zero; this contest asks for a mix. "
            "Check what was routed to the output, export again",
        )
    if delivered.duration_s < SHORTEST_S:
        return Finding(
            "too_short",
            f"Your file lasts {number(delivered.duration_s, 3)} s; below {SHORTEST_S} s there is no loudness "
            "to match. Export the whole song",
        )
    if delivered.integrated_lufs is None:
        return Finding(
            "too_quiet",
            "Your file never rises above −70 LUFS, below which loudness is not counted, so it cannot be "
            "matched with the others. Export again at an ordinary level",
        )
    return None


def _length(spec: DeliverySpec, delivered: Delivered) -> Finding | None:
    if spec.length_tolerance_s is None or spec.reference_s is None:
        return None
    difference_s = delivered.duration_s - spec.reference_s
    if abs(difference_s) <= spec.length_tolerance_s + SHORTEST_DIFFERENCE_S:
        return None
    direction = "longer" if difference_s > 0 else "shorter"
    return Finding(
        "length",
        f"Your file lasts {number(delivered.duration_s)} s, {number(abs(difference_s))} s {direction} than "
        f"the reference mix ({number(spec.reference_s)} s); this contest asks for that length within "
        f"{spec.length_tolerance_s:g} s. Export from the same start to the same end as the stems",
    )


def _true_peak(spec: DeliverySpec, delivered: Delivered) -> Finding | None:
    ceiling_dbtp, peak_dbtp = spec.true_peak_ceiling_dbtp, delivered.true_peak_dbtp
    if ceiling_dbtp is None or peak_dbtp is None or round(peak_dbtp, 1) <= ceiling_dbtp:
        return None
    return Finding(
        "true_peak",
        f"Your file peaks at {dbtp(peak_dbtp)}; this contest asks for {dbtp(ceiling_dbtp)} or less. "
        f"Change the output level by {db(ceiling_dbtp - round(peak_dbtp, 1))} or more, export again",
    )


def _loudness(spec: DeliverySpec, delivered: Delivered) -> Finding | None:
    found_lufs = delivered.integrated_lufs
    if found_lufs is None:
        return None
    shown_lufs = round(found_lufs, 1)
    if spec.lowest_lufs is not None and shown_lufs < spec.lowest_lufs:
        asked, change_db = f"{lufs(spec.lowest_lufs)} or more", spec.lowest_lufs - shown_lufs
    elif spec.highest_lufs is not None and shown_lufs > spec.highest_lufs:
        asked, change_db = f"{lufs(spec.highest_lufs)} or less", spec.highest_lufs - shown_lufs
    else:
        return None
    return Finding(
        "loudness",
        f"Your file measures {lufs(found_lufs)}; this contest asks for {asked}. "
        f"Change the output level by {db(change_db)}, export again",
    )
