"""Packs as a host makes them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from academy.packs import publishing
from academy.packs.models import Stem, StemPack
from analysis import audiofile
from analysis.intake import sealing
from tests import cast


def upload(folder: Path, *, level: float = 0.1, seconds: float = 0.5, **sound: Any) -> sealing.Received:
    """A short tone, taken in through the intake."""
    audio = cast.tone(seconds=seconds, level=level, **sound)
    path = folder / "upload.wav"
    audiofile.write_wav(path, [audio], rate_hz=48_000, channels=audio.shape[1], subtype="PCM_24")
    return sealing.receive_file(path)


def draft(folder: Path, names: list[str], **facts: Any) -> StemPack:
    """A draft with a stem of each name, each a little louder than the one before."""
    pack = publishing.create_pack(
        **{"slug": "harbour", "title": "Harbour Light", "terms": "For **practice** only."} | facts
    )
    for number, name in enumerate(names, start=1):
        publishing.add_stem(pack, upload(folder, level=0.05 * number), name=name, owner=None, now=cast.NOW)
    return pack


def silent_stem(folder: Path, pack: StemPack) -> Stem:
    """One more stem, of digital silence."""
    path = folder / "silence.wav"
    audiofile.write_wav(path, [np.zeros((24_000, 1))], rate_hz=48_000, channels=1, subtype="PCM_24")
    return publishing.add_stem(pack, sealing.receive_file(path), name="Spare", owner=None, now=cast.NOW)
