"""The header of a WAV, RF64 or BW64 file.

Sources: RIFF and WAVE as in "Multimedia Programming Interface and Data Specifications 1.0" (1991), the
extensible format chunk as in "Multiple Channel Audio Data and WAVE Files" (2001), RF64 in EBU Tech 3306,
BW64 in ITU-R BS.2088.
"""

import struct
from dataclasses import dataclass

from analysis.audiofile.description import BYTES_PER_SAMPLE, AudioDescription, Header, Subtype
from analysis.audiofile.errors import AudioError
from analysis.audiofile.limits import Limits
from analysis.audiofile.source import Source

_PCM = 0x0001
_IEEE_FLOAT = 0x0003
_EXTENSIBLE = 0xFFFE
#: The last fourteen bytes of every sub-format GUID that only wraps a format tag.
_SUBFORMAT_TAIL = bytes.fromhex("000000001000800000aa00389b71")

_TAKEN: dict[tuple[int, int], Subtype] = {
    (_PCM, 16): "PCM_16",
    (_PCM, 24): "PCM_24",
    (_PCM, 32): "PCM_32",
    (_IEEE_FLOAT, 32): "FLOAT",
}

#: Names of common format tags, for the message. The registered WAVE format tags (RFC 2361).
_TAG_NAMES = {
    0x0002: "ADPCM",
    0x0006: "A-law",
    0x0007: "mu-law",
    0x0011: "IMA ADPCM",
    0x0050: "MPEG",
    0x0055: "MP3",
}

#: A 32-bit size that says "see the ds64 chunk" in RF64 and BW64.
_SEE_DS64 = 0xFFFFFFFF
#: The longest fmt chunk in use is 40 bytes; longer ones are not ours to interpret.
_MAX_FMT_BYTES = 64


@dataclass(frozen=True, slots=True)
class _Chunk:
    name: bytes
    start: int
    size: int


def read_wav_header(source: Source, limits: Limits) -> Header:
    """Header of a file starting with RIFF, RF64 or BW64. Raises AudioError for a damaged or unwanted one."""
    is_64_bit = source.at(0, 4) != b"RIFF"
    chunks = _chunks(source, is_64_bit, limits)
    fmt = _only(chunks, b"fmt ")
    sound = _only(chunks, b"data")
    if fmt.start > sound.start:
        raise _damaged("its data chunk stands before its fmt chunk")
    subtype, rate_hz, channels = _read_fmt(source, fmt)

    frame_bytes = channels * BYTES_PER_SAMPLE[subtype]
    frames, rest = divmod(sound.size, frame_bytes)
    if rest:
        raise _damaged(
            f"its {sound.size:,} bytes of sound are not a whole number of {frame_bytes}-byte frames"
        )
    if frames == 0:
        raise AudioError(
            "empty", "The file holds no sound: zero samples. Export again and check the range exported."
        )
    description = AudioDescription(
        format="RF64" if is_64_bit else "WAV",
        subtype=subtype,
        sample_rate_hz=rate_hz,
        channels=channels,
        frames=frames,
    )
    return Header(description=description, first_sample_byte=sound.start)


def _chunks(source: Source, is_64_bit: bool, limits: Limits) -> list[_Chunk]:
    """Every chunk of the file in order, each wholly inside the file."""
    riff_size = _u32(source, 4)
    source.at(8, 4)
    sound_size = None
    if is_64_bit:
        riff_size, sound_size = _read_ds64(source, riff_size)
    end = _end_of_riff(source, riff_size)

    chunks: list[_Chunk] = []
    offset = 12
    other_bytes = 0
    while end - offset >= 8:
        name, size = source.at(offset, 4), _u32(source, offset + 4)
        if name == b"data" and size == _SEE_DS64 and sound_size is not None:
            size = sound_size
        _refuse_beyond_end(source, name, offset + 8, size)
        chunks.append(_Chunk(name=name, start=offset + 8, size=size))
        if len(chunks) > limits.max_chunks:
            raise AudioError(
                "too_many_chunks",
                f"The file has more than {limits.max_chunks} chunks. Export again without markers and tags.",
            )
        other_bytes += 0 if name == b"data" else size
        offset += 8 + size + size % 2
    if end - offset > 1:
        raise _damaged(f"{end - offset} stray bytes follow its last chunk")
    if other_bytes > limits.max_other_bytes:
        raise AudioError(
            "too_much_beside_sound",
            f"The file carries {other_bytes / 1e6:,.1f} MB beside its sound; at most "
            f"{limits.max_other_bytes / 1e6:,.1f} MB are taken. Export again without pictures and tags.",
        )
    return chunks


def _end_of_riff(source: Source, riff_size: int) -> int:
    """Where the RIFF ends, in bytes from the start of the file; it must be where the file ends."""
    if riff_size in (0, _SEE_DS64):
        raise AudioError(
            "unfinished_header",
            "The header does not say how long the file is, as happens when a program writes into a pipe or "
            "stops before it has finished. Export again straight into a file.",
        )
    end = 8 + riff_size
    # One byte of slack both ways: writers disagree whether the padding of an odd last chunk counts.
    if end > source.size + 1:
        raise _cut_short(source, end)
    if end < source.size - 1:
        raise AudioError(
            "trailing_data",
            f"{source.size - end:,} bytes follow the end of the recording. Export again, and upload the file "
            "as it was exported.",
        )
    return min(end, source.size)


def _read_ds64(source: Source, riff_size: int) -> tuple[int, int]:
    """RIFF size and data size of an RF64 or BW64 file. EBU Tech 3306, 3.2: ds64 comes first."""
    if source.at(12, 4) != b"ds64" or not 28 <= _u32(source, 16) <= 64 * 1024:
        raise _damaged("its ds64 chunk is missing or of the wrong size")
    long_riff_size, sound_size = struct.unpack("<QQ", source.at(20, 16))
    return (long_riff_size if riff_size == _SEE_DS64 else riff_size), sound_size


def _refuse_beyond_end(source: Source, name: bytes, start: int, size: int) -> None:
    if not all(0x20 <= letter < 0x7F for letter in name):
        raise _damaged("one of its chunk names is not text")
    room = source.size - start
    if name == b"data" and size in (0, _SEE_DS64) and room > 0:
        raise AudioError(
            "unfinished_header",
            "The header does not say how much sound the file holds, as happens when a program writes into a "
            "pipe or stops before it has finished. Export again straight into a file.",
        )
    if size > room:
        raise _cut_short(source, start + size)


def _only(chunks: list[_Chunk], name: bytes) -> _Chunk:
    found = [chunk for chunk in chunks if chunk.name == name]
    label = name.decode().strip()
    if not found:
        raise _damaged(f"it has no {label} chunk")
    if len(found) > 1:
        raise _damaged(f"it has {len(found)} {label} chunks where one is allowed")
    return found[0]


def _read_fmt(source: Source, fmt: _Chunk) -> tuple[Subtype, int, int]:
    """Subtype, rate in Hz and channel count, after each number has been held against the others."""
    if not 16 <= fmt.size <= _MAX_FMT_BYTES:
        raise _damaged(f"its fmt chunk has {fmt.size:,} bytes")
    raw = source.at(fmt.start, fmt.size)
    tag, channels, rate_hz, byte_rate, frame_bytes, bits = struct.unpack("<HHIIHH", raw[:16])
    if tag == _EXTENSIBLE:
        tag = _read_extension(raw, bits)
    subtype = _TAKEN.get((tag, bits))
    if subtype is None:
        raise _wrong_codec(tag, bits)
    if channels == 0:
        raise _damaged("it claims zero channels")
    if rate_hz == 0:
        raise _damaged("it claims a rate of 0 Hz")
    if frame_bytes != channels * bits // 8:
        raise _damaged(f"it claims {frame_bytes} bytes a frame for {channels} channels of {bits} bit")
    if byte_rate != rate_hz * frame_bytes:
        raise _damaged(
            f"it claims {byte_rate:,} bytes a second where {rate_hz * frame_bytes:,} follow from the rest"
        )
    return subtype, rate_hz, channels


def _read_extension(raw: bytes, bits: int) -> int:
    """The format tag inside an extensible fmt chunk."""
    if len(raw) < 40:
        raise _damaged(f"its extensible fmt chunk has {len(raw)} bytes instead of 40")
    extra_bytes, valid_bits = struct.unpack("<HH", raw[16:20])
    # Samples of fewer valid bits stand at the top of their container, so the container alone decides.
    if extra_bytes < 22 or valid_bits > bits:
        raise _damaged(f"it claims {valid_bits} valid bits in samples of {bits} bit")
    tag, tail = raw[24:26], raw[26:40]
    if tail != _SUBFORMAT_TAIL:
        raise AudioError(
            "wrong_codec",
            "The WAV file holds a kind of sound that is not plain samples. Export as 16, 24 or 32-bit PCM, "
            "or as 32-bit float.",
        )
    return int.from_bytes(tag, "little")


def _wrong_codec(tag: int, bits: int) -> AudioError:
    name = {_PCM: f"{bits}-bit PCM", _IEEE_FLOAT: f"{bits}-bit float"}.get(tag)
    name = name or _TAG_NAMES.get(tag, f"sound of type 0x{tag:04X}")
    return AudioError(
        "wrong_codec",
        f"The WAV file holds {name}. Export as 16, 24 or 32-bit PCM, or as 32-bit float.",
    )


def _cut_short(source: Source, wanted: int) -> AudioError:
    return AudioError(
        "truncated",
        f"The header speaks of {wanted:,} bytes; the file ends after {source.size:,}. The export or the "
        "upload was cut short: export again and upload the complete file.",
    )


def _damaged(what: str) -> AudioError:
    return AudioError("header_damaged", f"The WAV header is damaged: {what}. Export the file again.")


def _u32(source: Source, offset: int) -> int:
    return int.from_bytes(source.at(offset, 4), "little")
