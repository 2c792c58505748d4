"""Offsets and polarity. The expected ones are those that the test itself has put in: algebra, no source."""

import numpy as np
import pytest
from scipy import signal

from analysis.dsp.alignment import SURE, Offset, correlation_at_lags, decimate, find_offset
from tests import tones

RATE_HZ = 48_000


@pytest.fixture(scope="module")
def song():
    """Thirty seconds of something like music, softened so that it may be equalised."""
    return 0.3 * tones.music_like(30.0, rate_hz=RATE_HZ)


def late_by(audio, frames):
    """The recording as it is exported `frames` late; earlier where negative."""
    return np.concatenate([np.zeros((frames, audio.shape[1])), audio]) if frames >= 0 else audio[-frames:]


def equalised(audio):
    """Bell filters of 4 to 6 dB. The formula is R. Bristow-Johnson's "Cookbook formulae for audio EQ"."""
    for centre_hz, gain_db, q in ((80, 4, 0.7), (400, -5, 1.0), (3000, 6, 1.0), (9000, 4, 0.7)):
        a, w = 10 ** (gain_db / 40), 2 * np.pi * centre_hz / RATE_HZ
        alpha = np.sin(w) / (2 * q)
        audio = signal.lfilter(
            [1 + alpha * a, -2 * np.cos(w), 1 - alpha * a],
            [1 + alpha / a, -2 * np.cos(w), 1 - alpha / a],
            audio,
            axis=0,
        )
    return audio


def noisy(audio):
    """With white noise 20 dB below it, unrelated to it."""
    rms_dbfs = 20 * np.log10(np.sqrt(np.mean(audio**2)))
    return audio + tones.noise(rms_dbfs - 20, len(audio) / RATE_HZ, rate_hz=RATE_HZ, seed=5)


def compressed(audio):
    """Bent by 1 dB or so at its peaks, as a bus that works does."""
    return np.tanh(2.5 * audio) / 2.5


class TestFindOffset:
    @pytest.mark.parametrize("frames", [0, 1, -1, 7, -333, 4801, 480_000, -479_999])
    @pytest.mark.parametrize("polarity", [1, -1])
    def test_it_finds_every_offset_to_the_frame(self, song, frames, polarity):
        found = find_offset(polarity * late_by(song, frames), song, rate_hz=RATE_HZ)
        assert (found.frames, found.polarity, found.is_sure) == (frames, polarity, True)

    @pytest.mark.parametrize(
        "change", [equalised, noisy, compressed, lambda x: noisy(equalised(compressed(x)))]
    )
    @pytest.mark.parametrize("frames", [336, -5003])
    def test_it_is_exact_on_a_mix_that_was_worked_on(self, song, change, frames):
        found = find_offset(-late_by(change(song), frames), song, rate_hz=RATE_HZ)
        assert (found.frames, found.polarity, found.is_sure) == (frames, -1, True)

    def test_it_finds_twenty_seconds_either_way(self):
        longer = 0.3 * tones.music_like(50.0, rate_hz=RATE_HZ, seed=4)
        for frames in (20 * RATE_HZ, -20 * RATE_HZ):
            assert find_offset(late_by(longer, frames), longer, rate_hz=RATE_HZ).frames == frames

    @pytest.mark.parametrize("rate_hz", [8_000, 44_100, 96_000])
    def test_it_works_at_other_rates(self, rate_hz):
        audio = tones.music_like(10.0, rate_hz=rate_hz)
        found = find_offset(late_by(audio, 1234), audio, rate_hz=rate_hz)
        assert (found.frames, found.polarity, found.is_sure) == (1234, 1, True)

    def test_a_loop_that_repeats_exactly_is_found_at_its_own_place(self):
        bar = tones.music_like(2.0, rate_hz=RATE_HZ)
        loop = np.tile(bar, (12, 1))
        found = find_offset(late_by(loop, 480), loop, rate_hz=RATE_HZ)
        assert (found.frames, found.is_sure) == (480, True)

    def test_a_mono_mix_is_found_against_a_stereo_one(self, song):
        found = find_offset(late_by(song.mean(axis=1, keepdims=True), 99), song, rate_hz=RATE_HZ)
        assert (found.frames, found.polarity, found.is_sure) == (99, 1, True)

    def test_one_silent_channel_does_not_disturb(self, song):
        left_only = song * [1.0, 0.0]
        assert find_offset(late_by(left_only, 99), song, rate_hz=RATE_HZ).frames == 99

    def test_unrelated_songs_are_not_moved(self):
        for seed in range(10, 16):
            one = tones.music_like(15.0, rate_hz=RATE_HZ, seed=seed)
            other = tones.music_like(14.3, rate_hz=RATE_HZ, seed=seed + 100)
            found = find_offset(one, other, rate_hz=RATE_HZ)
            assert (found.frames, found.polarity, found.is_sure) == (0, 1, False)

    def test_unrelated_noises_are_never_sure(self):
        # `SURE` promises one in a million; twenty pairs see a mistake of the formula, not that rate.
        for seed in range(20):
            one, other = (tones.noise(-20, 5, rate_hz=8_000, seed=100 * turn + seed) for turn in (1, 2))
            assert find_offset(one, other, rate_hz=8_000).confidence < SURE

    @pytest.mark.parametrize("n_frames", [0, 1, 100])
    def test_silence_and_nothing_are_answered(self, song, n_frames):
        nothing = np.zeros((n_frames, 2))
        assert find_offset(nothing, song, rate_hz=RATE_HZ) == Offset(frames=0, polarity=1, confidence=0.0)
        assert find_offset(song, nothing, rate_hz=RATE_HZ) == Offset(frames=0, polarity=1, confidence=0.0)

    def test_less_than_a_second_in_common_is_never_sure(self):
        audio = tones.noise(-20, 3.0, rate_hz=RATE_HZ)
        for n_frames in (1, 38, 400, RATE_HZ // 2, RATE_HZ - 100):
            assert not find_offset(audio[:n_frames], audio, rate_hz=RATE_HZ).is_sure
        late = late_by(audio, round(2.2 * RATE_HZ))[: 3 * RATE_HZ]
        assert not find_offset(late, audio, rate_hz=RATE_HZ).is_sure

    def test_two_seconds_are_enough(self):
        audio = tones.music_like(2.0, rate_hz=RATE_HZ)
        found = find_offset(late_by(audio, 100)[: 2 * RATE_HZ], audio, rate_hz=RATE_HZ)
        assert (found.frames, found.is_sure) == (100, True)

    def test_its_arguments_are_left_alone(self, song):
        before = song.copy()
        find_offset(song, song, rate_hz=RATE_HZ)
        assert np.array_equal(song, before)

    def test_it_refuses_what_is_not_audio(self, song):
        with pytest.raises(ValueError, match="shape"):
            find_offset(song[:, 0], song, rate_hz=RATE_HZ)
        with pytest.raises(ValueError, match="rate"):
            find_offset(song, song, rate_hz=0)


class TestCorrelationAtLags:
    def test_a_shifted_impulse_stands_at_its_lag(self):
        one, other = np.zeros((500, 1)), np.zeros((400, 1))
        one[260], other[200] = 1.0, -1.0
        heights = correlation_at_lags(one, other, lags=range(-100, 101))
        assert int(np.argmin(heights)) - 100 == 60

    def test_silence_has_no_correlation(self):
        assert not correlation_at_lags(np.zeros((50, 2)), np.zeros((50, 2)), lags=range(-5, 6)).any()


class TestDecimate:
    @pytest.mark.parametrize("step", [1, 2, 8, 16])
    def test_a_low_tone_comes_through_at_its_level_and_place(self, step):
        audio = tones.sine(200.0, -6.0, 1.0, rate_hz=RATE_HZ)
        kept = decimate(audio, step)
        assert kept.shape == (RATE_HZ // step, 2)
        middle = slice(100, -100)
        assert np.allclose(kept[middle], audio[::step][middle], atol=0.002)

    def test_a_tone_above_half_the_new_rate_is_taken_out(self):
        audio = tones.sine(5_000.0, 0.0, 1.0, rate_hz=RATE_HZ)
        assert np.abs(decimate(audio, 8)[100:-100]).max() < 0.01
