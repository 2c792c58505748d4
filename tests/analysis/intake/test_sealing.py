"""What comes through the door is hashed, probed, kept and sealed, or leaves nothing behind."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from django.conf import settings

from analysis.audiofile import AudioError
from analysis.intake import keeping, sealing
from analysis.intake.models import Recording
from tests import cast

pytestmark = pytest.mark.django_db


def kept_files() -> list[Path]:
    """Everything on the shelf and in the spool."""
    folders = [Path(keeping.shelf().location), settings.INCOMING_DIR]
    return [path for folder in folders for path in folder.rglob("*") if path.is_file()]


class TestReceive:
    def test_the_bytes_are_kept_and_hashed_as_they_came(self, write_wav):
        path = write_wav(cast.tone())
        received = sealing.receive_file(path)
        assert received.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
        assert received.size_bytes == path.stat().st_size
        with keeping.opened(received.storage_key) as kept:
            assert kept.read() == path.read_bytes()

    def test_the_name_reaches_no_path(self, write_wav):
        received = sealing.receive_file(write_wav(cast.tone()), name="../../secret/My mix.wav")
        assert received.original_name == "My mix.wav"
        assert "mix" not in received.storage_key

    def test_what_is_no_audio_is_refused_and_leaves_nothing(self):
        before = kept_files()
        with pytest.raises(AudioError) as refused:
            sealing.receive([b"<html>", b"hello</html>"], name="mix.wav")
        assert refused.value.code == "not_audio"
        assert kept_files() == before

    def test_what_is_too_large_is_refused_before_its_end(self, settings):
        settings.LARGEST_UPLOAD_BYTES = 1000
        taken = []

        def blocks():
            for _ in range(100):
                taken.append(1)
                yield bytes(600)

        with pytest.raises(AudioError) as refused:
            sealing.receive(blocks(), name="mix.wav")
        assert refused.value.code == "too_large"
        assert len(taken) == 2

    def test_letting_go_removes_the_bytes(self, write_wav):
        before = kept_files()
        received = sealing.receive_file(write_wav(cast.tone()))
        sealing.let_go(received)
        assert kept_files() == before


class TestSeal:
    def test_the_row_says_what_the_probe_found(self, write_wav):
        owner = cast.member()
        received = sealing.receive_file(write_wav(cast.tone(seconds=0.5, rate_hz=44_100), rate_hz=44_100))
        recording = sealing.seal(received, owner=owner, now=cast.NOW)
        recording.refresh_from_db()
        assert (recording.format, recording.subtype) == ("WAV", "PCM_24")
        assert (recording.sample_rate_hz, recording.channels, recording.frames) == (44_100, 2, 22_050)
        assert recording.duration_s == 0.5
        assert recording.owner == owner

    def test_two_uploads_of_the_same_bytes_are_two_recordings(self, write_wav):
        path = write_wav(cast.tone())
        first, second = (sealing.seal(sealing.receive_file(path), owner=None, now=cast.NOW) for _ in range(2))
        assert first.sha256 == second.sha256
        assert first.storage_key != second.storage_key
        assert Recording.objects.count() == 2
