"""What an audit of stems says: one function a finding, each with what it means for whoever mixes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from analysis.audiofile import AudioError


class Level(StrEnum):
    """How much a finding weighs.

    An error makes the set unusable as it is, a warning should be looked into, a note is only good to know.
    """

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that an audit found. `file` is None where it is about the whole set."""

    file: str | None
    level: Level
    code: str
    message: str


def empty() -> Finding:
    """A folder without a stem."""
    return Finding(
        None, Level.ERROR, "empty", "There is no stem here. Put one WAV or FLAC file a stem into the folder."
    )


def no_file(name: str) -> Finding:
    """A folder, or anything else that is no file."""
    return Finding(name, Level.NOTE, "no_file", "This is no file, so it was not looked into.")


def not_audio(name: str) -> Finding:
    """A paper beside the stems."""
    return Finding(name, Level.NOTE, "not_audio", "This is no sound file, so it was left out.")


def refused(name: str, error: AudioError) -> Finding:
    """A sound file that cannot be used, in the words of whoever refused it."""
    return Finding(name, Level.ERROR, error.code, error.message)


def unreadable(name: str, error: OSError) -> Finding:
    """The storage's fault."""
    message = f"The file cannot be read: {error.strerror or error}. Check its name and who may read it."
    return Finding(name, Level.ERROR, "unreadable", message)


def many_channels(name: str, channels: int) -> Finding:
    """More than stereo."""
    message = f"The file has {channels} channels. A stem is mono or stereo: export it so."
    return Finding(name, Level.ERROR, "channels", message)


def not_finite(name: str) -> Finding:
    """Samples that are no numbers."""
    message = "The file holds samples that are not numbers. Export it again as 24-bit PCM."
    return Finding(name, Level.ERROR, "not_finite", message)


def bad_name(name: str, code: str, message: str) -> Finding:
    """A name that will not survive other systems."""
    return Finding(name, Level.WARNING, code, message)


def names_clash(name: str, others: Sequence[str]) -> Finding:
    """A name that is another file's where case does not count."""
    message = (
        f"On systems that do not tell upper from lower case its name is that of {listed(others)}: when the "
        "pack is unpacked there, one overwrites the other. Rename one of them."
    )
    return Finding(name, Level.ERROR, "names_clash", message)


def other_rate(name: str, rate_hz: int, usual_hz: int) -> Finding:
    """A rate that is not the set's."""
    message = (
        f"It is at {rate_hz / 1000:g} kHz and most stems are at {usual_hz / 1000:g} kHz: a project that does "
        "not convert it plays it at the wrong speed and pitch. Export it at the rate of the others. It was "
        "left out of the sum and of the comparisons."
    )
    return Finding(name, Level.ERROR, "other_rate", message)


def other_depth(name: str, depth: str, usual: str) -> Finding:
    """A sample format that is not the set's."""
    message = (
        f"It is {depth} and most stems are {usual}. It mixes all the same; check that it is the recording "
        "itself and no copy made for something else."
    )
    return Finding(name, Level.NOTE, "other_depth", message)


def other_length(name: str, difference_s: float) -> Finding:
    """A length that is not the set's."""
    how = "longer" if difference_s > 0 else "shorter"
    message = (
        f"It is {seconds(abs(difference_s))} {how} than most stems. If it does not start where they do, it "
        "will lie out of time in a project: export all from one start to one end."
    )
    return Finding(name, Level.WARNING, "other_length", message)


def mono_in_stereo(name: str) -> Finding:
    """Two equal channels."""
    message = (
        "Left and right are the same, so this is a mono sound in a stereo file: twice the size, and whoever "
        "pans it moves a pair. Hand it out as mono."
    )
    return Finding(name, Level.WARNING, "mono_in_stereo", message)


def one_side(name: str, side: str) -> Finding:
    """One channel that is silent."""
    message = (
        f"Only the {side} channel holds sound; the other one is silent. If it is a mono recording, export it "
        "as mono; as it is, it sounds from one side."
    )
    return Finding(name, Level.WARNING, "one_side", message)


def opposite_sides(name: str) -> Finding:
    """Left and right against each other."""
    message = (
        "Left and right are for the most part each other's negative, so the sound goes away in mono. One of "
        "the two has its polarity turned: a cable, a switch, or an effect. Check it before it goes out."
    )
    return Finding(name, Level.WARNING, "opposite_sides", message)


def silent(name: str) -> Finding:
    """Digital silence."""
    message = (
        "It is silent from start to end. A track was muted, or nothing was recorded on it: leave it out."
    )
    return Finding(name, Level.WARNING, "silent", message)


def nearly_silent(name: str, peak_dbfs: float) -> Finding:
    """Nothing above what counts as silence."""
    message = (
        f"Its highest sample lies {-peak_dbfs:.0f} dB below full scale: hiss, or a track exported too low."
    )
    return Finding(name, Level.WARNING, "nearly_silent", message)


def clipped(name: str, runs: int) -> Finding:
    """Runs of samples at full scale."""
    where = "one place" if runs == 1 else f"{runs:,} places"
    message = (
        f"It is clipped in {where}: three samples or more stand at full scale there. Nobody can undo that in "
        "the mix. Export again at a lower level if the clipping came from the export; if it was recorded so, "
        "say it in the notes."
    )
    return Finding(name, Level.WARNING, "clipped", message)


def dc_offset(name: str, offset: float) -> Finding:
    """A mean that is not zero."""
    message = (
        f"Its middle lies {abs(offset):.2%} of full scale {'above' if offset > 0 else 'below'} zero: edits "
        "click, and compressors and clippers work on one side only. Remove the offset."
    )
    return Finding(name, Level.WARNING, "dc_offset", message)


def hot(name: str, peak_dbfs: float) -> Finding:
    """A peak above the room that is usually left."""
    below = "at full scale" if peak_dbfs >= -0.05 else f"{-peak_dbfs:.1f} dB below full scale"
    if peak_dbfs >= 0.05:
        below = f"{peak_dbfs:.1f} dB above full scale"
    message = (
        f"Its highest sample lies {below}. Common practice leaves stems 6 dB of room, so that the first "
        "device in a chain is not driven: whoever mixes will turn it down first."
    )
    return Finding(name, Level.NOTE, "hot", message)


def late_start(name: str, start_s: float) -> Finding:
    """Silence before the first sound that the others have not."""
    message = (
        f"Its first sound comes after {seconds(start_s)}. That is right for a part that enters there; if it "
        "does not, it was exported from another start."
    )
    return Finding(name, Level.NOTE, "late_start", message)


def common_silence(start_s: float) -> Finding:
    """Silence with which every stem begins."""
    message = (
        f"All stems begin with {seconds(start_s)} of silence together. A count-in's worth is handy; more can "
        "be cut off, but by the same length everywhere."
    )
    return Finding(None, Level.NOTE, "common_silence", message)


def copy_of(name: str, other: str, *, turned: bool) -> Finding:
    """The same sound as another stem's."""
    how = "the same sound as" if not turned else "the same sound, upside down, as"
    effect = "the two cancel out in the sum" if turned else "together they are up to 6 dB too loud"
    message = (
        f"It is {how} “{other}”, perhaps at another level: {effect}. A track was exported twice, or one "
        "under another's name. Leave one of them out or export the right one."
    )
    return Finding(name, Level.WARNING, "copy_turned" if turned else "copy", message)


def turned(name: str, other: str, *, correlation: float, lag_s: float) -> Finding:
    """A polarity that is against its partner's."""
    later = "" if abs(lag_s) < 5e-5 else f", {abs(lag_s) * 1000:.1f} ms {'later' if lag_s > 0 else 'earlier'}"
    message = (
        f"It seems to be a second pick-up of what “{other}” holds (likeness {abs(correlation):.2f}{later}) "
        "with its polarity turned: together they lose their low end. Listen to both with one of them turned."
    )
    return Finding(name, Level.WARNING, "turned", message)


def plain_sum(true_peak_dbtp: float, summed: int, given: int) -> Finding:
    """What all stems reach together at unity."""
    what = "All stems" if summed == given else f"{summed} of the {given} stems"
    if not math.isfinite(true_peak_dbtp):
        return Finding(None, Level.WARNING, "sum_silent", f"{what} at unity sum to silence.")
    if true_peak_dbtp > 0.0:
        message = (
            f"{what} at unity sum to {true_peak_dbtp:.1f} dB above full scale (true peak). A mix bus that "
            f"cannot go over clips there: begin with every fader {math.ceil(true_peak_dbtp + 6.0)} dB down."
        )
        return Finding(None, Level.WARNING, "sum_over", message)
    message = (
        f"{what} at unity sum to {-true_peak_dbtp:.1f} dB below full scale (true peak): that is the headroom "
        "with which a mix begins."
    )
    return Finding(None, Level.NOTE, "sum", message)


def seconds(length_s: float) -> str:
    """A length of time as in `0.25 s`, `62.5 s`."""
    return f"{length_s:.3g} s" if length_s < 10 else f"{length_s:.1f} s"


def listed(names: Sequence[str]) -> str:
    """Names in a sentence."""
    return " and ".join(f"“{name}”" for name in names)
