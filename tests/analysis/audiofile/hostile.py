"""Files that try to break the door, and files that must pass it: each with its verdict.

Every file is made here, from the formats' documents. `verdict` is the code of the AudioError, or None where
the file must be taken.
"""

import hashlib
import io
import struct
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import soundfile

from tests.analysis.audiofile import flacbits
from tests.analysis.audiofile.wavbits import SOUND, chunk, ds64, extension, floats, fmt, rf64, riff, wav

DATA = chunk(b"data", SOUND)
SCRIPT = b"<html><script>fetch('/members/')</script></html>"
MEMBER_FILES = b"\nfile:///etc/passwd\nhttp://127.0.0.1:6379/\n"


@dataclass(frozen=True)
class Case:
    """One file: how it is made, what must become of it, and whether the header alone tells."""

    name: str
    build: Callable[[], bytes]
    verdict: str | None
    in_header: bool = True
    file_name: str = "mix.wav"


@lru_cache
def flac(subtype: str = "PCM_24", channels: int = 2) -> bytes:
    """One second of quiet noise, encoded by libFLAC."""
    steps = np.random.default_rng(9639).integers(-(2**20), 2**20, (48_000, channels), np.int32) << 8
    made = io.BytesIO()
    soundfile.write(made, steps, 48_000, format="FLAC", subtype=subtype)
    return made.getvalue()


def flac_with(*, total: int | None = None, md5: bytes | None = None, packed: int | None = None) -> bytes:
    """The same with another total, checksum, or other packed numbers in its STREAMINFO."""
    made = bytearray(flac())
    numbers = int.from_bytes(made[18:26], "big") if packed is None else packed
    if total is not None:
        numbers = numbers >> 36 << 36 | total
    made[18:26] = numbers.to_bytes(8, "big")
    made[26:42] = made[26:42] if md5 is None else md5
    return bytes(made)


def packed(*, rate_hz: int = 48_000, channels: int = 2, bits: int = 24, frames: int = 48_000) -> int:
    """STREAMINFO's packed numbers."""
    return rate_hz << 44 | channels - 1 << 41 | bits - 1 << 36 | frames


def flac_and(*blocks: bytes) -> bytes:
    """The encoded second with more metadata blocks after STREAMINFO."""
    return flac()[:42] + b"".join(blocks) + flac()[42:]


def flipped(octets: bytes, at: float) -> bytes:
    """One bit the other way."""
    made = bytearray(octets)
    made[int(len(made) * at)] ^= 0x10
    return bytes(made)


def comments(*texts: bytes, count: int | None = None) -> bytes:
    """A VORBIS_COMMENT block's content, RFC 9639, 8.6."""
    fields = b"".join(struct.pack("<I", len(text)) + text for text in texts)
    return struct.pack("<I", 4) + b"none" + struct.pack("<I", len(texts) if count is None else count) + fields


def picture(image: bytes, *, size: int | None = None) -> bytes:
    """A PICTURE block's content, RFC 9639, 8.8."""
    head = struct.pack(">II", 3, 9) + b"image/png" + struct.pack(">I", 0) + struct.pack(">IIII", 1, 1, 24, 0)
    return head + struct.pack(">I", len(image) if size is None else size) + image


def constant(*, channels: int = 2, frames: int = 40_960, size: int = 4096, rate_hz: int = 48_000) -> bytes:
    """A stream of constant frames made from the RFC: tiny, whatever it expands to. No checksum is stored."""
    made = [flacbits.frame(number, [100] * channels, size) for number in range(frames // size)]
    info = flacbits.streaminfo(frames=frames, rate_hz=rate_hz, channels=channels, blocks=(size, size))
    return flacbits.stream(made, info)


def variable(*sizes: int) -> bytes:
    """A stream whose blocks vary: its frames carry sample numbers instead of frame numbers."""
    firsts = [sum(sizes[:number]) for number in range(len(sizes))]
    made = [
        flacbits.frame(first, [7, -7], size, is_variable=True)
        for first, size in zip(firsts, sizes, strict=True)
    ]
    md5 = flacbits.md5_of_constant([7, -7], sum(sizes))
    info = flacbits.streaminfo(frames=sum(sizes), blocks=(min(sizes[:-1]), max(sizes)), md5=md5)
    return flacbits.stream(made, info)


def archive() -> bytes:
    """A ZIP with a page in it."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as pack:
        pack.writestr("index.html", SCRIPT)
    return made.getvalue()


def unpadded_mono(*, counts_padding: bool) -> bytes:
    """Mono 24 bit with an odd number of frames, as writers leave it: the last byte of padding is missing."""
    head = riff(fmt(channels=1), chunk(b"data", SOUND[:3003]))
    size = len(head) - 8 if counts_padding else len(head) - 9
    return head[:4] + struct.pack("<I", size) + head[8:-1]


def without_a_frame() -> bytes:
    """A stream from which one frame in the middle was taken: every frame left is whole, and so is the end."""
    made = [flacbits.frame(number, [number, -number], 4096) for number in range(10)]
    sound = b"".join(struct.pack("<hh", number, -number) * 4096 for number in range(10))
    info = flacbits.streaminfo(frames=40_960, md5=hashlib.md5(sound).digest())
    return flacbits.stream(made[:4] + made[5:], info)


AUTHOR = b"Author Name, Some Town"

CONTROLS = [
    Case("wav_16", lambda: wav(bits=16), None),
    Case("wav_24", lambda: wav(), None),
    Case("wav_32", lambda: wav(bits=32), None),
    Case("wav_float", lambda: floats(), None),
    Case("wav_mono", lambda: wav(channels=1), None),
    Case("wav_192k", lambda: wav(rate_hz=192_000), None),
    Case("wav_extensible", lambda: riff(fmt(tag=0xFFFE, extension=extension()), DATA), None),
    Case("wav_20_in_24", lambda: riff(fmt(tag=0xFFFE, extension=extension(valid_bits=20)), DATA), None),
    Case("wav_fmt_18", lambda: riff(fmt(extension=b"\0\0"), DATA), None),
    Case("rf64", lambda: rf64(), None),
    Case("bw64", lambda: rf64(magic=b"BW64"), None),
    Case("rf64_short_sizes", lambda: riff(ds64(riff_size=0, sound_size=0), fmt(), DATA, magic=b"RF64"), None),
    Case("flac_16", lambda: flac("PCM_16"), None, file_name="mix.flac"),
    Case("flac_24", lambda: flac(), None, file_name="mix.flac"),
    Case("flac_mono", lambda: flac("PCM_24", 1), None, file_name="mix.flac"),
    Case("flac_without_md5", lambda: flac_with(md5=bytes(16)), None),
    Case("flac_variable_blocks", lambda: variable(4096, 100, 192, 1000, 65_535, 33), None),
    Case("flac_large_blocks", lambda: constant(frames=65_535 * 3, size=65_535), None),
    Case("flac_twenty_minutes", lambda: constant(frames=32_768 * 1757, size=32_768), None),
    Case("silence", lambda: wav(bytes(60_000)), None),
    Case("dc", lambda: wav(b"\x00\x00\x20" * 20_000), None),
    Case("ten_samples", lambda: wav(SOUND[:60]), None),
    Case("one_sample", lambda: wav(SOUND[:6]), None),
    Case("denormals", lambda: floats(1e-40, -1e-42, 1e-45), None),
    Case("floats_over_full_scale", lambda: floats(4.0, -7.9), None),
    Case(
        "odd_padded",
        lambda: riff(fmt(channels=1), chunk(b"data", SOUND[:3003]), chunk(b"LIST", b"INFO")),
        None,
    ),
    Case("odd_unpadded", lambda: unpadded_mono(counts_padding=False), None),
    Case("odd_unpadded_but_counted", lambda: unpadded_mono(counts_padding=True), None),
    Case("junk_first", lambda: riff(chunk(b"JUNK", bytes(28)), fmt(), DATA), None),
    Case("named_flac_but_wav", lambda: wav(), None, file_name="mix.flac"),
    Case("named_wav_but_flac", flac, None, file_name="mix.wav"),
    Case("named_raw", lambda: wav(), None, file_name="mix.raw"),
    Case("named_mp3", flac, None, file_name="mix.mp3"),
    Case("named_nothing", flac, None, file_name="mix"),
]

BESIDE_THE_SOUND = [
    Case("tags_in_list", lambda: riff(fmt(), chunk(b"LIST", b"INFO" + chunk(b"IART", AUTHOR)), DATA), None),
    Case("tags_in_bext", lambda: riff(chunk(b"bext", AUTHOR.ljust(602, b"\0")), fmt(), DATA), None),
    Case("tags_in_ixml", lambda: riff(fmt(), DATA, chunk(b"iXML", b"<NOTE>" + AUTHOR + b"</NOTE>")), None),
    Case("tags_in_id3", lambda: riff(fmt(), DATA, chunk(b"id3 ", b"ID3\4\0\0\0\0\0\x7f" + AUTHOR)), None),
    Case("tags_in_cue", lambda: riff(fmt(), DATA, chunk(b"LIST", b"adtl" + chunk(b"labl", AUTHOR))), None),
    Case("tags_in_flac", lambda: flac_and(flacbits.block(4, comments(b"ARTIST=" + AUTHOR))), None),
    Case("tags_in_flac_application", lambda: flac_and(flacbits.block(2, b"none" + AUTHOR)), None),
    Case("picture_in_flac", lambda: flac_and(flacbits.block(6, picture(b"\x89PNG" + bytes(99)))), None),
    Case("script_in_chunk", lambda: riff(fmt(), chunk(b"note", SCRIPT), DATA), None),
    Case("script_in_flac", lambda: flac_and(flacbits.block(2, b"html" + SCRIPT)), None),
    Case("archive_in_chunk", lambda: riff(fmt(), DATA, chunk(b"pack", archive())), None),
    Case("archive_after_wav", lambda: riff(fmt(), DATA, after=archive()), "trailing_data"),
    Case("archive_after_flac", lambda: flac() + archive(), "trailing_data"),
    Case("two_megabytes_after_flac", lambda: flac() + bytes(2**21), "truncated"),
    Case("id3_before_flac", lambda: b"ID3\4\0\0\0\0\0\0" + flac(), "not_audio"),
    Case("id3_after_flac", lambda: flac() + b"TAG".ljust(128, b" "), "trailing_data"),
    Case("stray_bytes_in_riff", lambda: riff(fmt(), DATA, b"\0\0\0\0"), "header_damaged"),
    Case("thousands_of_chunks", lambda: riff(fmt(), *[chunk(b"note", b"")] * 5000, DATA), "too_many_chunks"),
    Case("huge_list", lambda: riff(fmt(), chunk(b"LIST", bytes(17 * 2**20)), DATA), "too_much_beside_sound"),
    Case("list_beyond_file", lambda: riff(fmt(), DATA, chunk(b"LIST", b"INFO", size=2**31)), "truncated"),
    Case(
        "huge_flac_picture",
        lambda: flac_and(flacbits.block(6, picture(bytes(2**24 - 99)))),
        "too_much_beside_sound",
    ),
    Case("a_hundred_flac_blocks", lambda: flac_and(*[flacbits.block(1, b"")] * 100), "too_many_chunks"),
]

WAV_CASES = [
    Case("bare_riff_word", lambda: b"RIFF", "truncated"),
    Case("bare_riff", lambda: riff(), "header_damaged"),
    Case("riff_without_wave", lambda: b"RIFF\x04\0\0\0", "truncated"),
    Case("no_fmt", lambda: riff(DATA), "header_damaged"),
    Case("no_data", lambda: riff(fmt()), "header_damaged"),
    Case("data_before_fmt", lambda: riff(DATA, fmt()), "header_damaged"),
    Case("two_data", lambda: riff(fmt(), DATA, DATA), "header_damaged"),
    Case("two_fmt", lambda: riff(fmt(), fmt(channels=1), DATA), "header_damaged"),
    Case("chunk_name_not_text", lambda: riff(fmt(), chunk(b"\0\1\2\3", b"ab"), DATA), "header_damaged"),
    Case("fmt_too_short", lambda: riff(chunk(b"fmt ", fmt()[8:22]), DATA), "header_damaged"),
    Case("fmt_too_long", lambda: riff(fmt(extension=bytes(1000)), DATA), "header_damaged"),
    Case("zero_frames", lambda: wav(b""), "empty"),
    Case("half_a_frame", lambda: wav(SOUND[:62]), "header_damaged"),
    Case("data_4_gib", lambda: riff(fmt(), chunk(b"data", SOUND, size=0xFFFFFFF0)), "truncated"),
    Case("data_by_a_pipe", lambda: riff(fmt(), chunk(b"data", SOUND, size=0xFFFFFFFF)), "unfinished_header"),
    Case("data_never_finished", lambda: riff(fmt(), chunk(b"data", SOUND, size=0)), "unfinished_header"),
    Case("riff_by_a_pipe", lambda: riff(fmt(), DATA, size=0xFFFFFFFF), "unfinished_header"),
    Case("riff_never_finished", lambda: riff(fmt(), DATA, size=0), "unfinished_header"),
    Case("rf64_2_to_50", lambda: rf64(sound_size=6 * 2**48), "truncated"),
    Case("rf64_2_to_64", lambda: rf64(sound_size=2**64 - 6), "truncated"),
    Case("rf64_without_ds64", lambda: riff(fmt(), DATA, magic=b"RF64"), "header_damaged"),
    Case(
        "rf64_short_ds64",
        lambda: riff(chunk(b"ds64", bytes(8)), fmt(), DATA, magic=b"RF64"),
        "header_damaged",
    ),
    Case("half_the_file", lambda: wav()[: len(wav()) // 2], "truncated"),
    Case("last_byte_pair_missing", lambda: wav()[:-2], "truncated"),
    Case("cut_in_fmt", lambda: wav()[:30], "truncated"),
    Case("cut_in_ds64", lambda: rf64()[:30], "truncated"),
    Case("channels_0", lambda: wav(channels=0), "header_damaged"),
    Case("channels_3", lambda: wav(channels=3, sound=SOUND[:9000]), "too_many_channels"),
    Case("channels_1000", lambda: wav(channels=1000, sound=SOUND[:9000]), "too_many_channels"),
    Case("channels_65535", lambda: wav(channels=65_535), "header_damaged"),
    Case("rate_0", lambda: wav(rate_hz=0), "header_damaged"),
    Case("rate_1", lambda: wav(rate_hz=1), "bad_rate"),
    Case("rate_22050", lambda: wav(rate_hz=22_050), "bad_rate"),
    Case("rate_47999", lambda: wav(rate_hz=47_999), "bad_rate"),
    Case("rate_4_ghz", lambda: wav(rate_hz=4_000_000_000), "header_damaged"),
    Case("align_0", lambda: wav(frame_bytes=0, byte_rate=288_000), "header_damaged"),
    Case("align_4", lambda: wav(frame_bytes=4), "header_damaged"),
    Case("byte_rate_0", lambda: wav(byte_rate=0), "header_damaged"),
    *[
        Case(f"bits_{bits}", lambda bits=bits: wav(bits=bits), "wrong_codec")
        for bits in (0, 1, 7, 8, 12, 20, 33, 48, 64, 65_535)
    ],
    Case("float_64", lambda: wav(tag=3, bits=64), "wrong_codec"),
    Case("float_16", lambda: wav(tag=3, bits=16), "wrong_codec"),
    *[
        Case(f"tag_{tag:#06x}", lambda tag=tag: wav(tag=tag, bits=16), "wrong_codec")
        for tag in (0x0000, 0x0002, 0x0006, 0x0007, 0x0011, 0x0031, 0x0050, 0x0055, 0x00FF, 0xF1AC)
    ],
    Case("ima_adpcm", lambda: wav(tag=0x11, bits=4, frame_bytes=1024, byte_rate=48_000), "wrong_codec"),
    Case(
        "extensible_mp3",
        lambda: riff(fmt(tag=0xFFFE, bits=16, extension=extension(0x55, valid_bits=16)), DATA),
        "wrong_codec",
    ),
    Case(
        "extensible_stranger",
        lambda: riff(fmt(tag=0xFFFE, extension=extension(tail=bytes(14))), DATA),
        "wrong_codec",
    ),
    Case(
        "extensible_in_itself",
        lambda: riff(fmt(tag=0xFFFE, extension=extension(0xFFFE)), DATA),
        "wrong_codec",
    ),
    Case("extensible_short", lambda: riff(fmt(tag=0xFFFE, extension=b"\0\0"), DATA), "header_damaged"),
    Case(
        "extensible_32_in_24",
        lambda: riff(fmt(tag=0xFFFE, extension=extension(valid_bits=32)), DATA),
        "header_damaged",
    ),
    Case(
        "forty_minutes",
        lambda: wav(bytes(44_100 * 2400 * 2), rate_hz=44_100, channels=1, bits=16),
        "too_long",
    ),
    Case("nan", lambda: floats(float("nan"), 0.0), "not_finite", in_header=False),
    Case("nan_last", lambda: floats(0.0, float("nan")), "not_finite", in_header=False),
    Case("all_nan", lambda: wav(b"\0\0\xc0\x7f" * 4000, tag=3, bits=32), "not_finite", in_header=False),
    Case("infinity", lambda: floats(float("inf")), "not_finite", in_header=False),
    Case("minus_infinity", lambda: floats(float("-inf")), "not_finite", in_header=False),
    Case("float_1e29", lambda: floats(1e29), "wild_level", in_header=False),
    Case("integers_as_floats", lambda: floats(-32_768.0), "wild_level", in_header=False),
]

FLAC_CASES = [
    Case("bare_flac", lambda: b"fLaC", "truncated"),
    Case("flac_cut_in_streaminfo", lambda: flac()[:20], "truncated"),
    Case("flac_half", lambda: flac()[: len(flac()) // 2], "truncated"),
    Case("flac_last_byte_missing", lambda: flac()[:-1], "truncated"),
    Case("flac_zero_frames", lambda: flacbits.stream([], flacbits.streaminfo(frames=0)), "empty"),
    Case("flac_by_a_pipe", lambda: flac_with(total=0), "unfinished_header"),
    Case("flac_total_short", lambda: flac_with(total=10), "wrong_length"),
    Case("flac_total_short_no_md5", lambda: flac_with(total=10, md5=bytes(16)), "wrong_length"),
    Case("flac_total_one_less", lambda: flac_with(total=47_999), "wrong_length"),
    Case("flac_total_one_more", lambda: flac_with(total=48_001), "wrong_length"),
    Case("flac_total_huge", lambda: flac_with(total=2**36 - 1), "wrong_length"),
    Case("flac_last_frame_damaged", lambda: flipped(flac(), 0.9999), "truncated"),
    Case("flac_wrong_md5", lambda: flac_with(md5=b"\1" * 16), "checksum_mismatch", in_header=False),
    Case("flac_frame_missing", lambda: without_a_frame(), "checksum_mismatch", in_header=False),
    Case("flac_rate_0", lambda: flac_with(packed=packed(rate_hz=0)), "header_damaged"),
    Case("flac_rate_1", lambda: constant(rate_hz=1), "bad_rate"),
    *[
        Case(f"flac_bits_{bits}", lambda bits=bits: flac_with(packed=packed(bits=bits)), "wrong_codec")
        for bits in (1, 8, 12, 20, 32)
    ],
    Case("flac_blocks_of_nothing", lambda: flac()[:8] + bytes(4) + flac()[12:], "header_damaged"),
    Case(
        "flac_bomb_8_channels",
        lambda: constant(channels=8, frames=65_535 * 100, size=65_535),
        "too_many_channels",
    ),
    Case("flac_bomb_4_hours", lambda: constant(frames=65_535 * 10_544, size=65_535), "too_long"),
    Case("flac_other_rate", lambda: flac_with(packed=packed(rate_hz=44_100)), "header_damaged"),
    Case("flac_other_channels", lambda: flac_with(packed=packed(channels=1)), "header_damaged"),
    Case("flac_other_bits", lambda: flac_with(packed=packed(bits=16)), "header_damaged"),
    *[
        Case(f"flac_bit_flipped_{at}", lambda at=at: flipped(flac(), at), "decode_failed", in_header=False)
        for at in (0.1, 0.5, 0.9)
    ],
    Case("flac_two_streaminfo", lambda: flac_and(flac()[4:42]), "header_damaged"),
    Case("flac_block_127", lambda: flac_and(flacbits.block(127, b"")), "header_damaged"),
    Case(
        "flac_streaminfo_33", lambda: b"fLaC" + flacbits.block(0, bytes(33)) + flac()[42:], "header_damaged"
    ),
    Case("flac_no_streaminfo", lambda: b"fLaC" + flac()[42:], "header_damaged"),
    Case("flac_block_beyond_file", lambda: flac_and(flacbits.block(1, b"", size=2**23)), "truncated"),
    Case(
        "flac_block_into_sound",
        lambda: flac_and(flacbits.block(1, b"", size=5000, is_last=True)),
        "header_damaged",
    ),
    Case(
        "flac_picture_longer", lambda: flac_and(flacbits.block(6, picture(b"", size=2**31))), "header_damaged"
    ),
    Case("flac_picture_cut", lambda: flac_and(flacbits.block(6, b"\0\0\0\3\0\0")), "header_damaged"),
    Case(
        "flac_four_billion_tags",
        lambda: flac_and(flacbits.block(4, comments(count=2**32 - 1))),
        "header_damaged",
    ),
    Case("flac_tag_longer", lambda: flac_and(flacbits.block(4, b"\xff\xff\xff\x7f")), "header_damaged"),
    Case("flac_seek_table_odd", lambda: flac_and(flacbits.block(3, bytes(17))), "header_damaged"),
    Case("flac_without_sound_after_it", lambda: flac()[:86] + bytes(1000), "header_damaged"),
]

NOT_AUDIO = [
    Case("nothing", lambda: b"", "empty"),
    Case("one_byte", lambda: b"R", "not_audio"),
    Case("zeros", lambda: bytes(100_000), "not_audio"),
    Case("noise", lambda: SOUND, "not_audio"),
    Case("page", lambda: SCRIPT, "not_audio"),
    Case("png", lambda: b"\x89PNG\r\n\x1a\n" + bytes(500), "not_audio"),
    Case("jpeg", lambda: b"\xff\xd8\xff\xe0" + bytes(500), "not_audio"),
    Case(
        "svg",
        lambda: b"<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>",
        "not_audio",
        file_name="mix.flac",
    ),
    Case("executable_elf", lambda: b"\x7fELF" + bytes(500), "not_audio"),
    Case("executable_mz", lambda: b"MZ" + bytes(500), "not_audio"),
    Case("shell_script", lambda: b"#!/bin/sh\nid\n", "not_audio"),
    Case("archive", archive, "not_audio"),
    Case("mp3", lambda: b"\xff\xfb\x90\x64" + bytes(5000), "not_audio", file_name="mix.flac"),
    Case("mp3_with_id3", lambda: b"ID3\4\0\0\0\0\0\0\xff\xfb\x90\x64" + bytes(5000), "not_audio"),
    Case("aac", lambda: b"\xff\xf1\x50\x80" + bytes(5000), "not_audio"),
    Case("ogg", lambda: b"OggS\0\2" + bytes(5000), "not_audio"),
    Case("flac_in_ogg", lambda: b"OggS\0\2" + bytes(22) + b"\x7fFLAC\1\0" + flac(), "not_audio"),
    Case("aiff", lambda: b"FORM\0\0\x10\0AIFF" + bytes(5000), "not_audio"),
    Case("caf", lambda: b"caff\0\1\0\0desc" + bytes(5000), "not_audio"),
    Case("au", lambda: b".snd\0\0\0\x18" + bytes(5000), "not_audio"),
    Case("w64", lambda: b"riff\x2e\x91\xcf\x11" + bytes(5000), "not_audio"),
    Case("big_endian_wav", lambda: riff(fmt(), DATA, magic=b"RIFX"), "not_audio"),
    Case("mp4", lambda: b"\0\0\0\x20ftypM4A " + bytes(5000), "not_audio"),
    Case("matroska", lambda: b"\x1aE\xdf\xa3" + bytes(5000), "not_audio"),
    Case("avi", lambda: b"RIFF\x04\0\0\0AVI " + bytes(500), "not_audio"),
    Case("midi", lambda: b"MThd\0\0\0\x06" + bytes(500), "not_audio"),
    Case("playlist_m3u", lambda: b"#EXTM3U" + MEMBER_FILES, "not_audio"),
    Case("playlist_pls", lambda: b"[playlist]\nFile1=" + MEMBER_FILES, "not_audio"),
    Case("playlist_concat", lambda: b"ffconcat version 1.0\nfile " + MEMBER_FILES, "not_audio"),
    Case("playlist_xspf", lambda: b"<?xml version='1.0'?><playlist>" + MEMBER_FILES, "not_audio"),
]

CASES = [*CONTROLS, *BESIDE_THE_SOUND, *WAV_CASES, *FLAC_CASES, *NOT_AUDIO]
