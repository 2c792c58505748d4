"""A pack that is still a draft: what the host's desk and its audit look like."""

from __future__ import annotations

import tempfile
from datetime import datetime
from itertools import islice
from pathlib import Path

import numpy as np

from academy.members.models import Member
from academy.packs import auditing, publishing
from analysis import audiofile
from analysis.intake import sealing
from contests.demo.rendering import DemoAudio
from fixtures.packs import DRAFT_PACK, microphones
from fixtures.song.score import RATE_HZ

SECONDS = slice(30, 38)  # of the song, where the snare plays throughout


def make_draft(audio: DemoAudio, *, host: Member, now: datetime) -> None:
    """Two stems on a desk, audited and not published."""
    said = DRAFT_PACK
    pack = publishing.create_pack(
        slug=said.slug,
        title=said.title,
        artist=said.artist,
        tempo_bpm=said.tempo_bpm,
        key=said.key,
        notes=said.notes,
        terms=said.terms,
    )
    a_second_each = audiofile.read_blocks(audio.stem("snare"), block_frames=RATE_HZ)
    snare = np.concatenate(list(islice(a_second_each, SECONDS.start, SECONDS.stop)))
    with tempfile.TemporaryDirectory() as folder:
        for name, sound in microphones(snare, rate_hz=RATE_HZ).items():
            path = Path(folder) / f"{name}.wav"
            audiofile.write_wav(path, [sound], rate_hz=RATE_HZ, channels=1)
            publishing.add_stem(pack, sealing.receive_file(path), name=name, owner=host, now=now)
    auditing.request_audit(pack)
