"""What a header says about a recording."""

from dataclasses import dataclass
from typing import Literal

Format = Literal["WAV", "RF64", "FLAC"]
Subtype = Literal["PCM_16", "PCM_24", "PCM_32", "FLOAT"]

BYTES_PER_SAMPLE: dict[str, int] = {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4}


@dataclass(frozen=True, slots=True)
class AudioDescription:
    """One recording as its header describes it.

    BW64 counts as RF64: the two differ only in what may be added.
    """

    format: Format
    subtype: Subtype
    sample_rate_hz: int
    channels: int
    frames: int

    @property
    def duration_s(self) -> float:
        """Length in seconds; always above zero, because a file without sound is refused."""
        return self.frames / self.sample_rate_hz


@dataclass(frozen=True, slots=True)
class Header:
    """A description, and what the reader needs beside it."""

    description: AudioDescription
    #: Where the samples start, in bytes from the start of the file. FLAC: the first frame.
    first_sample_byte: int
    #: FLAC: the MD5 of the unencoded samples, in hexadecimal; None where none is stored.
    pcm_md5: str | None = None
