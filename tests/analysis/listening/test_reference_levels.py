"""Levels in a room, against the published one and the definition of the decibel."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.dsp import meter
from analysis.listening.noise import level_noise
from analysis.listening.reference_levels import monitor_level_dbc


class TestMonitorLevel:
    def test_the_published_noise_reads_the_published_level(self):
        """EBU, technical news of March 2016, on Tech 3343, clause 8.2: 73 dB(C) at -23 LUFS."""
        assert monitor_level_dbc(-23.0) == 73.0
        assert monitor_level_dbc(-18.0) == 78.0

    def test_one_channel_alone_is_half_the_power(self):
        """By algebra 10 lg 2 = 3.01 dB: so two loudspeakers at once read as the standard's one does."""
        audio = level_noise(-18.0)
        audio[:, 1] = 0.0
        found = meter.measure([audio], rate_hz=48_000, n_channels=2)
        assert found.integrated_lufs == pytest.approx(-18.0 - 10 * math.log10(2), abs=0.2)

    def test_the_sides_of_the_noise_add_by_power(self):
        """Sides that have nothing in common: their mean product is nothing beside their power."""
        left, right = level_noise(-18.0).T
        assert abs(np.mean(left * right)) < 0.05 * np.mean(left**2)
