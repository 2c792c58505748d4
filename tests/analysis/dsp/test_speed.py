"""Wrong-speed mixes. What is expected is what the test itself has done to them: algebra, no source.

The wrong speeds are made by the soxr library's resampler, which shares no line with ours.
"""

from fractions import Fraction

import numpy as np
import pytest
import soxr

from analysis.dsp.errors import ShapeError
from analysis.dsp.speed import TOO_FAST, TOO_SLOW, speed_error, stretched
from tests import tones
from tests.analysis.dsp.test_alignment import compressed, equalised, late_by, noisy

RATE_HZ = 48_000


@pytest.fixture(scope="module")
def song():
    """Twenty seconds of something like music, softened so that it may be equalised."""
    return 0.3 * tones.music_like(20.0, rate_hz=RATE_HZ)


def played(audio, *, made_at_hz, taken_for_hz):
    """Sound as it is heard at `RATE_HZ` when its samples, made at one rate, are played at another."""
    return soxr.resample(audio, RATE_HZ * taken_for_hz / made_at_hz, RATE_HZ)


MISTAKES = {TOO_FAST: (44_100, 48_000), TOO_SLOW: (48_000, 44_100)}


@pytest.mark.parametrize("times_too_fast", MISTAKES, ids=["fast", "slow"])
class TestWrongSpeed:
    def mistaken(self, audio, times_too_fast):
        made_at_hz, taken_for_hz = MISTAKES[times_too_fast]
        return played(audio, made_at_hz=made_at_hz, taken_for_hz=taken_for_hz)

    def test_it_is_found_and_named(self, song, times_too_fast):
        found = speed_error(self.mistaken(song, times_too_fast), song, rate_hz=RATE_HZ)
        assert found.times_too_fast == times_too_fast
        made_at_hz, taken_for_hz = MISTAKES[times_too_fast]
        assert found.percent == pytest.approx(100.0 * (taken_for_hz - made_at_hz) / made_at_hz)
        # A semitone is the twelfth root of two, so this many of them make the ratio again.
        assert 2.0 ** (found.semitones / 12.0) == pytest.approx(taken_for_hz / made_at_hz)

    @pytest.mark.parametrize("frames", [48_000, -48_000])
    def test_it_is_found_in_a_mix_that_was_worked_on(self, song, frames, times_too_fast):
        mix = -late_by(noisy(equalised(compressed(song))), frames)
        found = speed_error(self.mistaken(mix, times_too_fast)[:, :1], song, rate_hz=RATE_HZ)
        assert found.times_too_fast == times_too_fast


class TestRightSpeed:
    @pytest.mark.parametrize(
        "change", [lambda x: x, equalised, compressed, lambda x: noisy(late_by(x, 4801))]
    )
    def test_another_mix_of_the_song_is_no_alarm(self, song, change):
        assert speed_error(change(song), song, rate_hz=RATE_HZ) is None

    def test_a_loop_that_repeats_exactly_is_no_alarm(self):
        loop = np.tile(tones.music_like(2.0, rate_hz=RATE_HZ), (6, 1))
        assert speed_error(loop, loop, rate_hz=RATE_HZ) is None

    @pytest.mark.parametrize("seed", [2, 3, 4])
    def test_another_song_is_no_alarm_at_any_speed(self, song, seed):
        other = tones.music_like(20.0, rate_hz=RATE_HZ, seed=seed)
        for audio in (other, played(other, made_at_hz=44_100, taken_for_hz=48_000)):
            assert speed_error(audio, song, rate_hz=RATE_HZ) is None

    def test_another_speed_error_than_these_is_not_named(self, song):
        # Tape run a semitone fast, for instance: nothing here can be put right by exporting again.
        assert (
            speed_error(soxr.resample(song, 2 ** (1 / 12) * RATE_HZ, RATE_HZ), song, rate_hz=RATE_HZ) is None
        )

    @pytest.mark.parametrize("n_frames", [0, 1, 100, RATE_HZ])
    def test_silence_and_next_to_nothing_say_nothing(self, song, n_frames):
        assert speed_error(np.zeros((n_frames, 2)), song, rate_hz=RATE_HZ) is None
        assert speed_error(song[:n_frames], np.zeros((RATE_HZ, 1)), rate_hz=RATE_HZ) is None

    def test_it_refuses_what_is_not_audio(self, song):
        with pytest.raises(ShapeError):
            speed_error(song[:, 0], song, rate_hz=RATE_HZ)
        with pytest.raises(ValueError, match="rate"):
            speed_error(song, song, rate_hz=0)


class TestStretched:
    @pytest.mark.parametrize("times", [TOO_FAST, TOO_SLOW, Fraction(3, 2)])
    def test_it_agrees_with_another_resampler(self, times):
        # Nothing above 0.4 of the lower rate, because the two cut off differently there.
        audio = soxr.resample(tones.noise(-20.0, 2.0, rate_hz=4_000), 4_000, 6_000)
        ours, theirs = (
            stretched(audio, times),
            soxr.resample(audio, 6_000, 6_000 * float(times), quality="VHQ"),
        )
        inner = slice(500, -500)  # its ends are not exact
        shared = min(len(ours), len(theirs))
        np.testing.assert_allclose(ours[:shared][inner], theirs[:shared][inner], atol=1e-3)

    def test_its_length_is_rounded_up(self):
        assert stretched(np.zeros((147_001, 2)), TOO_FAST).shape == (160_002, 2)
        assert stretched(np.zeros((0, 1)), TOO_FAST).shape == (0, 1)
