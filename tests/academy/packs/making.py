"""Packs as a host makes them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from academy.packs import publishing
from academy.packs.models import Stem, StemPack
from analysis import audiofile
from analysis.intake import keeping, sealing
from tests import cast

_received: dict[bytes, sealing.Received] = {}


def upload(folder: Path, audio: NDArray[np.float64]) -> sealing.Received:
    """Take in audio, shape (n_frames, n_channels). The same sound goes through the sandbox once."""
    path = folder / "upload.wav"
    audiofile.write_wav(path, [audio], rate_hz=48_000, channels=audio.shape[1], subtype="PCM_24")
    sound = path.read_bytes()
    if sound not in _received:
        _received[sound] = sealing.receive_file(path)
    return replace(_received[sound], storage_key=keeping.keep(path))


def short_tone(folder: Path, *, level: float = 0.1) -> sealing.Received:
    """An upload of half a second."""
    return upload(folder, cast.tone(seconds=0.5, level=level))


def draft(folder: Path, names: list[str], **facts: Any) -> StemPack:
    """A draft with a stem of each name, each a little louder than the one before."""
    pack = publishing.create_pack(
        **{"slug": "harbour", "title": "Harbour Light", "terms": "For **practice** only."} | facts
    )
    for number, name in enumerate(names, start=1):
        sound = short_tone(folder, level=0.05 * number)
        publishing.add_stem(pack, sound, name=name, owner=None, now=cast.NOW)
    return pack


def silent_stem(folder: Path, pack: StemPack) -> Stem:
    """One more stem, of digital silence."""
    sound = upload(folder, np.zeros((24_000, 1)))
    return publishing.add_stem(pack, sound, name="Spare", owner=None, now=cast.NOW)
