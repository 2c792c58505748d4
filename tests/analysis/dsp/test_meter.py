"""The meter as a whole: one pass, any blocks, every file length."""

import dataclasses
import json
import math
import subprocess
import sys

import numpy as np
import pytest

from analysis.dsp.errors import RateError, SampleError, ShapeError
from analysis.dsp.meter import LevelMeter, Levels, Measures, Meter, measure
from tests import tones


def measured(audio: tones.Audio, *, rate_hz: int, sizes: list[int] | None = None) -> Measures:
    blocks = tones.blocks(audio, sizes or [audio.shape[0]])
    return measure(blocks, rate_hz=rate_hz, n_channels=audio.shape[1])


class TestMeter:
    @pytest.mark.parametrize("rate_hz", [22_050, 44_100, 48_000, 96_000])
    @pytest.mark.parametrize("sizes", [[65_536], [1_023, 1, 0, 4_801], [97]])
    def test_blocks_of_any_length_give_the_same(self, sizes, rate_hz):
        audio = tones.music_like(4.0, rate_hz=rate_hz)
        whole, in_blocks = measured(audio, rate_hz=rate_hz), measured(audio, rate_hz=rate_hz, sizes=sizes)
        for field in dataclasses.fields(Measures):
            # The sums are the same in another order: rounding, a ten-millionth of the last digit anyone
            # reads; the spectrum's are of float32.
            atol = 1e-3 if "octave" in field.name else 1e-8
            expected = getattr(whole, field.name)
            np.testing.assert_allclose(getattr(in_blocks, field.name), expected, rtol=0, atol=atol)

    def test_the_order_in_memory_makes_no_difference(self):
        audio = tones.music_like(1.0, rate_hz=48_000)
        by_channel = measured(np.asfortranarray(audio), rate_hz=48_000)
        assert by_channel.as_json_dict() == measured(audio, rate_hz=48_000).as_json_dict()

    def test_samples_as_a_file_stores_them_give_the_same(self):
        stored = np.round(tones.music_like(1.0, rate_hz=48_000) * 2.0**23).astype(np.int32) * 256
        expected = measured(stored / 2.0**31, rate_hz=48_000).as_json_dict()
        assert measured(stored, rate_hz=48_000).as_json_dict() == expected
        # 24 bits are all that a float32 holds, so nothing is lost that way either.
        assert measured((stored / 2.0**31).astype(np.float32), rate_hz=48_000).as_json_dict() == expected

    def test_a_result_may_be_read_midway(self):
        audio = tones.music_like(4.0, rate_hz=48_000)
        meter = Meter(rate_hz=48_000, n_channels=2)
        meter.add(audio[:70_000])
        midway = meter.result().as_json_dict()
        meter.add(audio[70_000:])
        assert midway == measured(audio[:70_000], rate_hz=48_000).as_json_dict()
        assert meter.result().true_peak_dbtp == pytest.approx(measured(audio, rate_hz=48_000).true_peak_dbtp)

    def test_gain_moves_every_level_and_nothing_else(self):
        audio = tones.music_like(4.0, rate_hz=48_000)
        before, after = measured(audio, rate_hz=48_000), measured(audio * tones.linear(-5.0), rate_hz=48_000)
        for level in ("integrated_lufs", "max_momentary_lufs", "max_short_term_lufs", "true_peak_dbtp"):
            assert getattr(after, level) - getattr(before, level) == pytest.approx(-5.0, abs=1e-6)
        assert after.noise_floor_dbfs - before.noise_floor_dbfs == pytest.approx(-5.0, abs=1e-6)
        np.testing.assert_allclose(after.third_octave_dbfs - before.third_octave_dbfs, -5.0, atol=1e-3)
        for same in ("loudness_range_lu", "peak_to_loudness_lu", "crest_db", "correlation", "mono_loss_db"):
            assert getattr(after, same) == pytest.approx(getattr(before, same), abs=1e-6)

    def test_peak_to_loudness_of_a_tone(self):
        # -23 dBFS peaks and, in both channels, -23 LUFS (Tech 3341, case 1): the difference is 0.
        found = measured(tones.sine(1_000.0, -23.0, 5.0, rate_hz=48_000), rate_hz=48_000)
        assert found.peak_to_loudness_lu == pytest.approx(0.0, abs=0.1)
        assert found.frames == 240_000

    def test_each_channel_has_its_true_peak_and_the_highest_counts(self):
        audio = tones.sine(1_000.0, -6.0, 1.0, rate_hz=48_000) * [1.0, 0.5]
        found = measured(audio, rate_hz=48_000)
        np.testing.assert_allclose(found.true_peaks_dbtp, [-6.0, -12.02], atol=0.01)
        assert found.true_peak_dbtp == found.true_peaks_dbtp[0]

    def test_silence_at_the_ends_is_told_in_seconds(self):
        parts = [(-np.inf, 0.5), (-20.0, 3.0), (-np.inf, 1.25)]
        found = measured(tones.steps(parts, rate_hz=48_000, frequency_hz=2_000.0), rate_hz=48_000)
        # The tone starts and ends in a zero crossing: a frame or two of it are below -60 dBFS.
        assert found.leading_silence_s == pytest.approx(0.5, abs=1e-4)
        assert found.trailing_silence_s == pytest.approx(1.25, abs=1e-4)

    def test_the_lowest_correlation_is_that_of_the_worst_moment(self):
        audio = tones.sine(1_000.0, -20.0, 6.0, rate_hz=48_000)
        audio[48_000:72_000, 1] *= -1.0  # half a second: longer than a window
        found = measured(audio, rate_hz=48_000)
        assert found.min_correlation == pytest.approx(-1.0, abs=1e-9)
        assert found.correlation == pytest.approx(5.0 / 6.0, abs=1e-9)  # 5.5 s less 0.5 s of 6 s

    def test_silence_is_an_answer(self):
        found = measured(tones.silence(5.0, rate_hz=48_000), rate_hz=48_000)
        assert found.silent
        levels = [found.integrated_lufs, found.max_momentary_lufs, found.max_short_term_lufs]
        assert [*levels, found.true_peak_dbtp, found.sample_peak_dbfs] == [-np.inf] * 5
        undefined = [found.loudness_range_lu, found.peak_to_loudness_lu, found.crest_db, found.correlation]
        assert np.isnan(undefined).all()
        assert np.isnan([found.min_correlation, found.mono_loss_db, found.noise_floor_dbfs]).all()
        assert np.isnan(found.correlation_readings).all()
        assert found.clipped_runs == 0

    @pytest.mark.parametrize(
        ("duration_s", "integrated", "short_term"),
        [(0.399, False, False), (0.4, True, False), (2.999, True, False), (3.0, True, True)],
    )
    def test_what_needs_a_whole_window_is_undefined_before(self, duration_s, integrated, short_term):
        found = measured(tones.sine(1_000.0, -23.0, duration_s, rate_hz=48_000), rate_hz=48_000)
        assert np.isfinite([found.integrated_lufs, found.max_momentary_lufs]).tolist() == [integrated] * 2
        assert np.isfinite([found.max_short_term_lufs, found.loudness_range_lu]).tolist() == [short_term] * 2
        assert not found.silent
        assert found.sample_peak_dbfs == pytest.approx(-23.0, abs=1e-6)

    def test_without_frames_everything_is_undefined(self):
        found = measure([], rate_hz=48_000, n_channels=2)
        assert found.frames == 0
        assert np.isnan(found.integrated_lufs)
        assert found.short_term_lufs.size == 0

    def test_it_refuses_what_it_cannot_measure(self):
        with pytest.raises(RateError):
            Meter(rate_hz=1_000, n_channels=2)
        with pytest.raises(ShapeError):
            Meter(rate_hz=48_000, n_channels=3)
        with pytest.raises(ShapeError):
            Meter(rate_hz=48_000, n_channels=2).add(np.zeros(100))
        with pytest.raises(SampleError):
            Meter(rate_hz=48_000, n_channels=1).add(np.array([[0.0], [np.nan]]))


class TestLevelMeter:
    @pytest.mark.parametrize("n_channels", [1, 2, 6])
    @pytest.mark.parametrize("sizes", [[65_536], [4_801]])
    def test_it_reads_to_the_last_bit_what_the_whole_meter_reads(self, sizes, n_channels):
        audio = tones.noise(-20.0, 2.0, rate_hz=44_100, n_channels=n_channels)
        meter = LevelMeter(rate_hz=44_100, n_channels=n_channels)
        for block in tones.blocks(audio, sizes):
            meter.add(block)
        whole = measured(audio, rate_hz=44_100, sizes=sizes)
        assert meter.levels() == Levels(whole.integrated_lufs, whole.true_peak_dbtp)

    def test_silence_is_an_answer(self):
        meter = LevelMeter(rate_hz=48_000, n_channels=2)
        meter.add(tones.silence(1.0, rate_hz=48_000))
        assert meter.levels() == Levels(-math.inf, -math.inf)

    @pytest.mark.parametrize("wild", [np.nan, np.inf, -np.inf])
    @pytest.mark.parametrize("at", [0, 700, -1])
    @pytest.mark.parametrize("channel", [0, 3])  # the low effects, which do not count, are looked at, too
    def test_it_refuses_what_is_not_a_number(self, wild, at, channel):
        audio = tones.noise(-20.0, 0.1, rate_hz=48_000, n_channels=6)
        audio[at, channel] = wild
        with pytest.raises(SampleError):
            LevelMeter(rate_hz=48_000, n_channels=6).add(audio)


class TestWarmUp:
    def test_it_leaves_nothing_to_compile_for_the_first_recording(self):
        script = (
            "import numpy as np, logging; from analysis.dsp import kernels, meter\n"
            "made = []; compiled = kernels._compiled\n"
            "kernels._compiled = lambda *of: made.append(compiled(*of)) or made[-1]\n"
            "meter.warm_up(); before = [len(one.signatures) for one in made]\n"
            "for dtype in (np.int32, np.float32, np.float64):\n"
            "    for n_channels in (1, 2, 6):\n"
            "        audio = np.ones((30_000, n_channels), dtype)\n"
            "        meter.measure([audio], rate_hz=44_100, n_channels=n_channels)\n"
            "assert before == [len(one.signatures) for one in made], made\n"
            "print(len(made))"
        )
        done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
        assert int(done.stdout) > 5


class TestAsJsonDict:
    @pytest.mark.parametrize("duration_s", [0.1, 5.0])
    def test_it_holds_no_infinity(self, duration_s):
        found = measured(tones.silence(duration_s, rate_hz=48_000), rate_hz=48_000).as_json_dict()
        again = json.loads(json.dumps(found, allow_nan=False))
        assert again == found
        assert again["integrated_lufs"] is None
        assert again["silent"] is True
        assert set(again["short_term_lufs"]) <= {None}

    def test_it_names_every_measure(self):
        found = measured(tones.music_like(4.0, rate_hz=48_000), rate_hz=48_000).as_json_dict()
        assert set(found) == {field.name for field in dataclasses.fields(Measures)}
        assert None not in found.values()
        assert len(found["short_term_lufs"]) == 11
        assert len(found["third_octave_dbfs"]) == 31
