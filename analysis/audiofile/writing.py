"""Write FLAC and WAV in blocks: exact samples, no tags, no time of writing: equal sound gives equal bytes."""

import os
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import replace
from functools import partial
from io import BytesIO
from math import inf
from pathlib import Path
from types import TracebackType
from typing import ClassVar, Self

import numpy as np
import soundfile
from numpy.typing import NDArray

from analysis.audiofile.describing import describe
from analysis.audiofile.errors import AudioError
from analysis.audiofile.limits import METER_LIMITS

Block = NDArray[np.float64] | NDArray[np.float32] | NDArray[np.int32]

#: What a FLAC header has room for: RFC 9639, 8.2. WAV has more, and no use for it here.
_MAX_CHANNELS, _MAX_RATE_HZ = 8, 655_350
#: Whoever writes decides how much; only the wholeness of the result is checked.
_NO_LIMITS = replace(
    METER_LIMITS,
    max_channels=_MAX_CHANNELS,
    min_rate_hz=1,
    max_rate_hz=_MAX_RATE_HZ,
    max_duration_s=inf,
    max_bytes=2**63,
)
_BITS = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
#: libsndfile's command to leave out the PEAK chunk, which holds the time of writing; soundfile has no name
#: for it. From sndfile.h.
_SET_ADD_PEAK_CHUNK = 0x1050


class _Writer:
    """One file being written; a context manager. Left by an exception, it removes what it had begun."""

    _format: ClassVar[str]
    _subtypes: ClassVar[tuple[str, ...]]
    _compression_level: ClassVar[float | None] = None

    def __init__(
        self,
        path: str | os.PathLike[str],
        *,
        rate_hz: int,
        channels: int,
        subtype: str = "PCM_24",
        in_memory: bool = False,
    ) -> None:
        """With `in_memory` the file is put together in memory and written at once: for short ones.

        The encoder writes each of its frames on its own, which costs a short file a tenth of its time.
        """
        if subtype not in self._subtypes:
            raise ValueError(f"{self._format} is written as {', '.join(self._subtypes)}, not {subtype}")
        if not (1 <= channels <= _MAX_CHANNELS and 1 <= rate_hz <= _MAX_RATE_HZ):
            raise ValueError(f"cannot write {channels} channels at {rate_hz} Hz")
        self._path = Path(path)
        self._subtype = subtype
        self._channels = channels
        self.frames = 0
        self._encoded = BytesIO() if in_memory else None
        # Opened here, because soundfile would report a missing folder as a fault of the format.
        self._fd = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o666)
        try:
            self._sound = soundfile.SoundFile(
                self._fd if self._encoded is None else self._encoded,
                "w",
                samplerate=rate_hz,
                channels=channels,
                format=self._format,
                subtype=subtype,
                closefd=False,
                compression_level=self._compression_level,
            )
        except soundfile.SoundFileError as error:
            os.close(self._fd)
            self._path.unlink(missing_ok=True)
            raise OSError(f"could not write {self._path}: is the disk full?") from error
        soundfile._snd.sf_command(self._sound._file, _SET_ADD_PEAK_CHUNK, soundfile._ffi.NULL, 0)

    def write(self, block: Block) -> None:
        """Append frames, shape (n, channels).

        Float samples have full scale 1.0. For a PCM file they are rounded to the nearest step, to even at
        halves, so values that already lie on a step are written exactly; nothing is dithered. Exactly +1.0,
        which has no step of its own, becomes the highest one. int32 samples have their most significant bit
        at the top of the word, and the bits that the file has no room for must be zero.

        Raises
        ------
        AudioError
            `not_finite` for a NaN or an infinity, `over_full_scale` for a PCM sample beyond 1.0: nothing
            is ever clipped.
        ValueError
            The shape or type is wrong, or int32 samples have more bits than the file.
        """
        if block.ndim != 2 or block.shape[1] != self._channels:
            raise ValueError(f"expected shape (n, {self._channels}), got {block.shape}")
        if self._subtype == "FLOAT":
            ready: Block = _finite(block).astype(np.float32)
        elif block.dtype == np.int32:
            ready = _refuse_lost_bits(block, _BITS[self._subtype])
        else:
            ready = _quantised(_finite(block), _BITS[self._subtype])
        try:
            self._sound.write(ready)
        except soundfile.SoundFileError as error:
            # The samples are sound by now, so only the disk can have refused.
            raise OSError(f"could not write {self._path}: is the disk full?") from error
        self.frames += len(block)

    def close(self) -> None:
        """Finish the file and look it over; where it cannot stand, remove it.

        Raises AudioError `empty` if no frame was written, OSError if the disk did not take everything.
        """
        self._let_go()
        if self.frames and self._is_whole():
            return
        self._path.unlink(missing_ok=True)
        if self.frames:
            raise OSError(f"could not write {self._path}: is the disk full?")
        raise _nothing_to_write()

    def _let_go(self) -> None:
        # What could not be written shows in the file itself, so an error from here would say nothing new.
        with suppress(soundfile.SoundFileError):
            self._sound.close()
        with suppress(OSError):
            left = memoryview(b"") if self._encoded is None else self._encoded.getbuffer()
            while left:
                left = left[os.write(self._fd, left) :]
        os.close(self._fd)

    def _is_whole(self) -> bool:
        """Whether the file counts and holds all that was written, which libsndfile does not tell."""
        if self._encoded is not None:
            # Memory took all of it; so it is enough that the disk did.
            return self._path.stat().st_size == self._encoded.getbuffer().nbytes
        try:
            return describe(self._path, _NO_LIMITS).frames == self.frames
        except AudioError:
            return False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self.close()
            return
        self._let_go()
        self._path.unlink(missing_ok=True)


class FlacWriter(_Writer):
    """A FLAC file being written at compression level 5, as PCM_16 or PCM_24, in blocks of any length."""

    _format = "FLAC"
    _subtypes = ("PCM_16", "PCM_24")
    _compression_level = 0.625  # libsndfile's scale of 0 to 1: five eighths is level 5.


class WavWriter(_Writer):
    """A WAV file being written, as PCM_16, PCM_24, PCM_32 or FLOAT, in blocks of any length."""

    _format = "WAV"
    _subtypes = ("PCM_16", "PCM_24", "PCM_32", "FLOAT")


class SegmentWriter:
    """One recording written as FLAC files of equal length, which together hold exactly its samples.

    Each can be decoded alone. They are named by their index (``00000.flac``) in `folder`, which is made where
    it is missing, and stand in order in `paths`. Each has `segment_frames` frames, the last one what remains;
    a file is put together in memory and finished as soon as it is full. A context manager: left by an
    exception, none of them is left.
    """

    def __init__(
        self,
        folder: Path,
        *,
        segment_frames: int,
        rate_hz: int,
        channels: int,
        subtype: str = "PCM_24",
    ) -> None:
        if segment_frames < 1:
            raise ValueError(f"segment_frames must be at least 1, not {segment_frames}")
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self._segment_frames = segment_frames
        self._begin = partial(FlacWriter, rate_hz=rate_hz, channels=channels, subtype=subtype, in_memory=True)
        self._open: FlacWriter | None = None
        self.paths: list[Path] = []

    def write(self, block: Block) -> None:
        """Append frames, shape (n, channels); as FlacWriter.write, and with its refusals."""
        while len(block):
            if self._open is None:
                self.paths.append(self._folder / f"{len(self.paths):05d}.flac")
                self._open = self._begin(self.paths[-1])
            missing = self._segment_frames - self._open.frames
            self._open.write(block[:missing])
            block = block[missing:]
            if self._open.frames == self._segment_frames:
                self._finish()

    def close(self) -> None:
        """Finish the last file. Raises as FlacWriter.close does."""
        if self._open is not None:
            self._finish()
        if not self.paths:
            raise _nothing_to_write()

    def _finish(self) -> None:
        assert self._open is not None
        ended, self._open = self._open, None
        ended.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        is_whole = False
        try:
            if kind is None:
                self.close()
                is_whole = True
            elif self._open is not None:
                self._open.__exit__(kind, error, trace)
        finally:
            if not is_whole:
                for path in self.paths:
                    path.unlink(missing_ok=True)


def write_flac(
    path: str | os.PathLike[str],
    blocks: Iterable[Block],
    *,
    rate_hz: int,
    channels: int,
    subtype: str = "PCM_24",
) -> int:
    """Write all blocks to a FLAC file, as FlacWriter.write does, and return the number of frames."""
    return _write_all(FlacWriter(path, rate_hz=rate_hz, channels=channels, subtype=subtype), blocks)


def write_wav(
    path: str | os.PathLike[str],
    blocks: Iterable[Block],
    *,
    rate_hz: int,
    channels: int,
    subtype: str = "PCM_24",
) -> int:
    """Write all blocks to a WAV file, as WavWriter.write does, and return the number of frames."""
    return _write_all(WavWriter(path, rate_hz=rate_hz, channels=channels, subtype=subtype), blocks)


def _write_all(writer: _Writer, blocks: Iterable[Block]) -> int:
    with writer:
        for block in blocks:
            writer.write(block)
    return writer.frames


def _nothing_to_write() -> AudioError:
    return AudioError("empty", "There is no sound to write: zero samples.")


def _finite(block: Block) -> NDArray[np.float64]:
    if block.dtype == np.int32:
        return block.astype(np.float64) / 2.0**31
    if not np.isfinite(block).all():
        raise AudioError("not_finite", "The sound to write holds a sample that is not a number.")
    return block.astype(np.float64, copy=False)


def _quantised(block: NDArray[np.float64], bits: int) -> NDArray[np.int32]:
    """The nearest step of `bits` bits, at the top of 32."""
    steps = 2.0 ** (bits - 1)
    peak = float(np.abs(block).max(initial=0.0))
    if peak > 1.0:
        over_db = 20 * np.log10(peak)
        raise AudioError(
            "over_full_scale",
            f"The sound to write passes full scale by {over_db:.2f} dB. Lower its level first.",
        )
    rounded = np.minimum(np.rint(block * steps), steps - 1).astype(np.int64)
    return (rounded << (32 - bits)).astype(np.int32)


def _refuse_lost_bits(block: Block, bits: int) -> Block:
    # All samples' bits laid over each other: no array of its own, and several samples at once.
    if bits < 32 and np.bitwise_or.reduce(block, axis=None) & (1 << 32 - bits) - 1:
        raise ValueError(f"the int32 samples have more than {bits} bits")
    return block
