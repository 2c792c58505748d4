"""Read a recording's header with our own eyes: no decoder sees a file before this has accepted it."""

import os

from analysis.audiofile.description import AudioDescription, Header
from analysis.audiofile.errors import AudioError
from analysis.audiofile.flacheader import read_flac_header
from analysis.audiofile.limits import DEFAULT_LIMITS, Limits
from analysis.audiofile.source import Source, opened
from analysis.audiofile.wavheader import read_wav_header

_WANTED = "WAV or FLAC is wanted: export the mix as 24-bit WAV or FLAC and upload that."

#: First bytes of what people send by mistake: offset, bytes, what it is. The registries of each format.
_OTHERS = (
    (
        0,
        b"ID3",
        "starts with an ID3 tag, as MP3 files do. If it is a FLAC file, remove the ID3 tag. Otherwise,",
    ),
    (0, b"\xff\xfb", "is an MP3 stream."),
    (0, b"\xff\xf3", "is an MP3 stream."),
    (0, b"\xff\xf1", "is an AAC stream."),
    (0, b"OggS", "is an Ogg file."),
    (0, b"FORM", "is an AIFF file."),
    (0, b"caff", "is a CAF file."),
    (0, b".snd", "is an AU file."),
    (0, b"riff", "is a W64 file."),
    (0, b"RIFX", "is a big-endian WAV file, which few programs read."),
    (4, b"ftyp", "is an MP4 file."),
    (0, b"\x1aE\xdf\xa3", "is a Matroska file."),
    (0, b"PK\x03\x04", "is a ZIP archive: take the recording out first."),
    (0, b"\x89PNG", "is a picture."),
    (0, b"\xff\xd8\xff", "is a picture."),
    (0, b"#EXTM3U", "is a playlist, which only names recordings."),
)


def describe(path: str | os.PathLike[str], limits: Limits = DEFAULT_LIMITS) -> AudioDescription:
    """What the header of a WAV, RF64, BW64 or FLAC file says, if it is consistent and within `limits`.

    The content decides, never the name. Nothing is decoded: a file that passes may still hold damaged
    samples, which `probe` finds. Digital silence is a recording like any other.

    Raises
    ------
    AudioError
        The file is something else, is damaged, is incomplete, or is beyond `limits`.
    OSError
        The file cannot be opened or read.
    """
    with opened(path) as source:
        return read_header(source, limits).description


def read_header(source: Source, limits: Limits) -> Header:
    """As `describe`, for an open file, with what a reader needs beside the description."""
    if source.size == 0:
        raise AudioError("empty", "The file is empty: 0 bytes. Export again and upload the complete file.")
    if source.size > limits.max_bytes:
        raise AudioError(
            "limits",
            f"The file is {source.size / 1e6:,.0f} MB; at most {limits.max_bytes / 1e6:,.0f} MB are taken. "
            "Export at 24 bit and the project's own rate, or as FLAC.",
        )
    start = source.up_to(0, 12)
    if start[:4] == b"fLaC":
        header = read_flac_header(source, limits)
    elif start[:4] in (b"RIFF", b"RF64", b"BW64") and start[8:12] in (b"WAVE", b""):
        header = read_wav_header(source, limits)
    else:
        raise AudioError("not_audio", f"This {_name_of(start)} {_WANTED}")
    _refuse_beyond(header.description, limits)
    return header


def _name_of(start: bytes) -> str:
    for offset, magic, name in _OTHERS:
        if start[offset : offset + len(magic)] == magic:
            return name
    return "is not an audio file that we know."


def _refuse_beyond(found: AudioDescription, limits: Limits) -> None:
    if found.channels > limits.max_channels:
        wanted = "one or two are" if limits.max_channels == 2 else f"at most {limits.max_channels} are"
        raise AudioError(
            "too_many_channels",
            f"The file has {found.channels:,} channels; {wanted} taken. Export the mix as a stereo file.",
        )
    rates = limits.allowed_rates_hz
    if rates is not None and found.sample_rate_hz not in rates:
        listed = ", ".join(f"{rate / 1000:g}" for rate in rates)
        raise AudioError(
            "bad_rate",
            f"The file is {found.sample_rate_hz / 1000:g} kHz; {listed} kHz are taken. "
            "Export again at the project's own rate.",
        )
    if not limits.min_rate_hz <= found.sample_rate_hz <= limits.max_rate_hz:
        raise AudioError(
            "bad_rate",
            f"The header says {found.sample_rate_hz:,} Hz; {limits.min_rate_hz:,} to {limits.max_rate_hz:,} "
            "Hz are taken. Export again at the project's own rate.",
        )
    if found.duration_s > limits.max_duration_s:
        raise AudioError(
            "too_long",
            f"The recording lasts {found.duration_s / 60:,.1f} minutes; at most "
            f"{limits.max_duration_s / 60:g} are taken. Export only the mix itself.",
        )
