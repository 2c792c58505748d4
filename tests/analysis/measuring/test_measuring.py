"""A recording is measured once, and what was found is kept."""

from __future__ import annotations

import numpy as np
import pytest
from celery.signals import worker_init

from analysis.dsp import meter
from analysis.measuring import measuring
from analysis.measuring.measuring import kept_measurement, kept_numbers, measurement_of
from tests import cast, tones

pytestmark = pytest.mark.django_db


@pytest.fixture
def calls(monkeypatch):
    """How often the meter was asked; it still answers."""
    asked = []
    measure = meter.measure

    def counted(*args, **kwargs):
        asked.append(args)
        return measure(*args, **kwargs)

    monkeypatch.setattr(meter, "measure", counted)
    return asked


class TestMeasurementOf:
    def test_it_keeps_everything_that_was_found(self):
        audio = tones.sine(1_000.0, -23.0, 5.0, rate_hz=48_000)
        measurement_of(cast.recording(audio=audio))
        kept = kept_measurement(measuring.Measurement.objects.get().recording)
        assert kept.recipe == "full/2"
        assert kept.integrated_lufs == pytest.approx(-23.0, abs=0.1)  # Tech 3341, case 1
        assert kept.true_peaks_dbtp == pytest.approx([-23.0, -23.0], abs=0.05)
        assert (len(kept.short_term_lufs), len(kept.momentary_lufs)) == (21, 47)
        assert kept.correlation_readings == pytest.approx([1.0] * 47)
        assert (kept.min_correlation, kept.mono_loss_db) == pytest.approx((1.0, 0.0), abs=1e-9)
        assert len(kept.third_octave_dbfs) == 31
        assert max(kept.third_octave_dbfs) == pytest.approx(-23.0, abs=0.05)
        assert max(kept.third_octave_mid_dbfs) == pytest.approx(-23.0, abs=0.05)
        assert max(kept.third_octave_side_dbfs) < -100.0
        assert (kept.leading_silence_s, kept.trailing_silence_s) == pytest.approx((0.0, 0.0), abs=1e-3)
        assert kept.noise_floor_dbfs == pytest.approx(-23.0, abs=0.01)
        assert kept.silent is False

    def test_silence_is_kept_as_what_is_undefined(self):
        kept = measurement_of(cast.recording(audio=np.zeros((96_000, 2))))
        kept.refresh_from_db()
        assert kept.silent is True
        assert kept.integrated_lufs is None
        assert kept.true_peaks_dbtp == [None, None]
        assert set(kept.momentary_lufs) == {None}
        assert kept.leading_silence_s == 2.0

    def test_a_second_call_does_not_measure_again(self, calls):
        recording = cast.recording()
        assert measurement_of(recording) == measurement_of(recording)
        assert len(calls) == 1

    def test_the_same_bytes_are_not_measured_again_either(self, calls):
        first, second = (measurement_of(cast.recording()) for _ in range(2))
        assert len(calls) == 1
        assert first.recording_id != second.recording_id
        for name in (*measuring.STORED_NUMBERS, *measuring.STORED_LISTS):
            assert getattr(first, name) == getattr(second, name)

    def test_an_older_recipe_does_not_count(self, calls):
        recording = cast.recording()
        measurement_of(recording)
        measuring.Measurement.objects.update(recipe="loudness-and-peaks/1")
        assert kept_measurement(recording) is None
        assert measurement_of(recording).recipe == "full/2"
        assert len(calls) == 2


class TestKeptNumbers:
    def test_they_come_in_one_query_without_the_lists(self, django_assert_num_queries):
        measured, not_measured = cast.recording(), cast.recording(audio=np.zeros((4_800, 2)))
        measurement_of(measured)
        with django_assert_num_queries(1):
            found = kept_numbers([measured.pk, not_measured.pk])
            assert list(found) == [measured.pk]
            assert found[measured.pk].true_peak_dbtp is not None
        assert found[measured.pk].get_deferred_fields() == set(measuring.STORED_LISTS)


class TestWorkerStart:
    def test_a_worker_warms_the_meter_up_once(self, monkeypatch):
        warmed = []
        monkeypatch.setattr(meter, "warm_up", lambda: warmed.append(True))
        worker_init.send(sender=None)
        assert warmed == [True]
