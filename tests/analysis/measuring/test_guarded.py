"""Several files read together, one of which stops the decoder."""

import os
from pathlib import Path

import pytest
import soundfile

from analysis.measuring import guarded
from analysis.measuring.aligned import TrackRefused, describe_track
from tests import tones


@pytest.fixture
def paths(tmp_path: Path) -> list[str]:
    names = [str(tmp_path / name) for name in ("one.wav", "deadly.wav", "two.wav")]
    for name in names:
        soundfile.write(name, tones.noise(-20.0, 0.1, rate_hz=48_000), 48_000)
    return names


def together(paths: list[str], deadly: str) -> int:
    """Reads all of them; dies of one, as a decoder may."""
    for path in paths:
        describe_track(path)
        if Path(path).name == deadly:
            os._exit(11)
    return len(paths)


class TestGuarded:
    def test_it_hands_on_what_was_found_and_what_was_refused(self, paths, tmp_path):
        assert guarded.guarded(together, paths, "", paths=paths) == 3
        missing = str(tmp_path / "missing.wav")
        with pytest.raises(TrackRefused) as refusal:
            guarded.guarded(together, [missing], "", paths=[missing])
        assert (refusal.value.path, refusal.value.code) == (missing, "unreadable")

    def test_the_file_that_stops_the_decoder_is_named(self, paths, monkeypatch):
        # Stands in for the decoder; the processes are forked, so they have it.
        stored_blocks = guarded.stored_blocks

        def dies(path):
            if Path(path).name == "deadly.wav":
                os._exit(11)
            return stored_blocks(path)

        monkeypatch.setattr(guarded, "stored_blocks", dies)
        with pytest.raises(TrackRefused, match="Export it again") as refusal:
            guarded.guarded(together, paths, "deadly.wav", paths=paths)
        assert (Path(refusal.value.path).name, refusal.value.code) == ("deadly.wav", "decode_failed")
