"""Whether a file plays at another speed than its reference, and what to tell its maker. No Django here."""

from __future__ import annotations

from analysis.dsp.speed import SpeedError, speed_error
from analysis.measuring.aligned import common_rate_hz, describe_track, start_of


def speed_error_of(path: str, *reference: str) -> SpeedError | None:
    """How a file's speed differs from a reference's, by their first two minutes.

    The reference is one file, or several that sound together: the stems of the mix. None where the file plays
    at its speed, and where the two have nothing in common to tell it by. Raises TrackRefused for a file that
    cannot be used.
    """
    rate_hz = common_rate_hz(describe_track(reference[0]))
    audio, other = (start_of(paths, rate_hz=rate_hz) for paths in ([path], reference))
    return speed_error(audio, other, rate_hz=rate_hz)


def advice_on(error: SpeedError) -> str:
    """What happened and what to do next, in two sentences."""
    fast, high, made, played = (
        ("fast", "high", "44.1", "48") if error.percent > 0.0 else ("slow", "low", "48", "44.1")
    )
    return (
        f"It plays {abs(error.percent):.1f} % too {fast} and {abs(error.semitones):.1f} semitones too {high},"
        f" as sound made at {made} kHz does when it is taken for {played} kHz. Set the project to the rate "
        "of its stems, check that they play at their own pitch there, and export again."
    )
