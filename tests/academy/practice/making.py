"""A pack to practise on, and versions as members hand them in."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from academy.members.models import Member
from academy.packs.models import Stem, StemPack
from academy.practice import submitting
from academy.practice.models import PracticeMix
from analysis.audiofile import AudioDescription
from analysis.intake import sealing
from analysis.intake.keeping import shelf
from analysis.intake.models import Recording
from tests import cast
from tests.mixdowns import Desk, Strip, mixdown, song

RATE_HZ = 48_000
NAMES = ["Drum", "Metal", "Bass"]
PANS = [-0.5, 0.0, 0.5]
SECONDS = 8.0

Samples = NDArray[np.float64]


@lru_cache(maxsize=1)
def stems() -> tuple[NDArray[np.float32], ...]:
    """Three invented stems of eight seconds, all mono."""
    return tuple(song(len(NAMES), SECONDS, rate_hz=RATE_HZ, seed=3))


def mixed(*gains_db: float, level: float = 1.0) -> Samples:
    """The stems with these gains, the second one in the middle and the others beside it; shape (n, 2)."""
    gains_db = gains_db or (0.0,) * len(NAMES)
    desk = Desk(strips=tuple(map(Strip, gains_db, PANS)))
    return level * mixdown(stems(), desk, rate_hz=RATE_HZ)[0].astype(np.float64)


def pack(**fields: Any) -> StemPack:
    """A published pack of the three stems with a reference mix of all of them as they are."""
    fields = {"reference_mix": cast.recording(audio=mixed(), original_name="reference.wav")} | fields
    made = cast.pack(**fields)
    for position, (name, audio) in enumerate(zip(NAMES, stems(), strict=True), start=1):
        recording = cast.recording(audio=audio.astype(np.float64))
        Stem.objects.create(pack=made, recording=recording, name=name, position=position)
    return made


def hand_in(
    of: StemPack, member: Member, audio: Samples | None = None, *, rate_hz: int = RATE_HZ, **more: Any
) -> PracticeMix:
    """A version, kept but not measured yet: the reference itself unless audio is given."""
    recording = cast.recording(audio=mixed() if audio is None else audio, rate_hz=rate_hz)
    received = sealing.Received(
        storage_key=recording.storage_key,
        sha256=recording.sha256,
        size_bytes=recording.size_bytes,
        original_name="my mix.wav",
        description=_description_of(recording),
    )
    recording.delete()  # its bytes stay, for the version to be sealed from
    return submitting.submit_mix(pack=of, member=member, received=received, now=cast.NOW, **more)


def _description_of(recording: Recording) -> Any:
    names = ("format", "subtype", "sample_rate_hz", "channels", "frames")
    return AudioDescription(*(getattr(recording, name) for name in names))


def kept_keys() -> set[str]:
    """Everything that lies on the shelf."""
    found = set()
    for folder in shelf().listdir("")[0]:
        below = [folder]
        while below:
            here = below.pop()
            folders, files = shelf().listdir(here)
            below += [f"{here}/{one}" for one in folders]
            found |= {f"{here}/{one}" for one in files}
    return found
