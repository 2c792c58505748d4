"""Wrong-speed files, by the demo's mixes and by what headers do to them."""

import wave
from pathlib import Path

import pytest
import soundfile

from analysis.dsp.speed import TOO_FAST, TOO_SLOW
from analysis.measuring.aligned import TrackRefused
from analysis.measuring.speed_files import advice_on, speed_error_of
from tests import tones


@pytest.fixture
def reference(tmp_path: Path) -> str:
    soundfile.write(tmp_path / "reference.wav", tones.music_like(15.0, rate_hz=48_000), 48_000)
    return str(tmp_path / "reference.wav")


def with_header_of(path: str, *, rate_hz: int) -> str:
    """The same samples under a header that names another rate, by Python's own writer."""
    claimed = str(Path(path).with_name(f"{rate_hz}.wav"))
    with wave.open(path) as right, wave.open(claimed, "wb") as wrong:
        wrong.setparams(right.getparams()._replace(framerate=rate_hz))
        wrong.writeframes(right.readframes(right.getnframes()))
    return claimed


class TestSpeedErrorOf:
    def test_a_48_khz_mix_under_a_header_of_44_1_khz_is_slow(self, reference):
        found = speed_error_of(with_header_of(reference, rate_hz=44_100), reference)
        assert found.times_too_fast == TOO_SLOW
        advice = advice_on(found)
        # By arithmetic: 44.1 / 48 is 0.919, and 12 log2 of it is -1.47.
        assert "8.1 % too slow and 1.5 semitones too low" in advice
        assert advice.endswith("export again.")

    def test_a_96_khz_header_over_88_2_khz_samples_is_fast(self, reference, tmp_path):
        mix = str(tmp_path / "mix.wav")
        soundfile.write(mix, tones.music_like(15.0, rate_hz=88_200), 88_200)
        found = speed_error_of(with_header_of(mix, rate_hz=96_000), mix)
        assert found.times_too_fast == TOO_FAST
        assert "8.8 % too fast and 1.5 semitones too high" in advice_on(found)

    def test_the_same_song_at_another_right_rate_is_no_alarm(self, reference, tmp_path):
        audio, _ = soundfile.read(reference)
        soundfile.write(tmp_path / "mix.flac", audio[: 48_000 * 12, :1], 48_000)
        assert speed_error_of(str(tmp_path / "mix.flac"), reference) is None

    def test_it_refuses_what_cannot_be_read(self, reference, tmp_path):
        with pytest.raises(TrackRefused):
            speed_error_of(str(tmp_path / "none.wav"), reference)


class TestDemoMixes:
    def test_none_of_them_is_an_alarm(self, demo_mixes):
        reference, *mixes = demo_mixes
        assert [path.name for path in mixes[:4] if speed_error_of(str(path), str(reference))] == []
