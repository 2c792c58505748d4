"""Parts that no stem accounts for are found and placed; rooms, echoes and distortion are nobody's fault."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.dsp.balance import BalanceMeter
from analysis.dsp.foreign import MARGIN, WINDOW_S, ForeignSound, foreign_sound
from analysis.measuring.foreign_files import TOLD_SHARE
from fixtures.desk.settings import Reverb
from tests.mixdowns import Desk, mixdown, random_desk, song

RATE_HZ = 48_000
SECONDS = 24.0
STRETCH_S = 0.25


@pytest.fixture(scope="module")
def stems() -> list[NDArray[np.float32]]:
    return song(8, SECONDS, rate_hz=RATE_HZ, seed=3)


@pytest.fixture(scope="module")
def desk(stems) -> Desk:
    """Equalisers, pans, sends, strip compressors, rides, and a compressor on the bus."""
    return random_desk(stems, np.random.default_rng(13), hard=True)


def heard(stems, *mixes: NDArray[np.float32]) -> tuple[ForeignSound, ...]:
    meter = BalanceMeter(
        rate_hz=RATE_HZ,
        stem_channels=[stem.shape[1] for stem in stems],
        mix_channels=[mix.shape[1] for mix in mixes],
    )
    meter.add(np.concatenate([*stems, *mixes], axis=1))
    return meter.foreign()


def with_part(
    mix: NDArray[np.float32], part: NDArray[np.float32], *, db: float, start_s: float, end_s: float
) -> NDArray[np.float32]:
    """The mix and, from one time to another, a mono part whose energy is `db` over the mix's there."""
    at = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    own, added = mix[at].astype(float), np.repeat(part[at].astype(float), 2, axis=1)
    gain = 10 ** (db / 20) * np.sqrt(np.mean(own**2) / np.mean(added**2))
    louder = mix.copy()
    louder[at] += (gain * added).astype(np.float32)
    return louder


class TestMixes:
    def test_honest_mixes_are_never_told(self, stems, desk):
        plain, _ = mixdown(stems, desk, rate_hz=RATE_HZ)
        drowned = replace(
            desk,
            reverb=Reverb(decay_s=3.0, predelay_s=0.04),
            strips=tuple(replace(strip, send_db=-4.0) for strip in desk.strips),
        )
        wet, _ = mixdown(stems, drowned, rate_hz=RATE_HZ)
        bent, _ = mixdown(
            [np.tanh(stem * 16).astype(np.float32) if at % 2 else stem for at, stem in enumerate(stems)],
            desk,
            rate_hz=RATE_HZ,
        )
        clipped = np.clip(plain * 3, -0.5, 0.5)
        for found in heard(stems, plain, wet, bent, clipped):
            assert found.windows.max() < TOLD_SHARE
            assert found.share < TOLD_SHARE / 3

    def test_a_part_from_elsewhere_is_found_and_placed(self, stems, desk):
        mix, _ = mixdown(stems, desk, rate_hz=RATE_HZ)
        lead = song(5, SECONDS, rate_hz=RATE_HZ, seed=103)[4]
        (found,) = heard(stems, with_part(mix, lead, db=-10.0, start_s=8.0, end_s=16.0))
        told = np.flatnonzero(found.windows >= TOLD_SHARE) * found.window_s
        assert len(told) >= 2
        assert told.min() >= 8.0 - found.window_s
        assert told.max() < 16.0
        # Never more than there is: 10 dB under the mix is 1/11 of both together, a little more in a window
        # in which the mix rests.
        assert found.share < 8.0 / SECONDS / 11.0

    def test_a_silent_mix_has_none(self, stems):
        (found,) = heard(stems, np.zeros_like(stems[0]))
        assert found.share == 0.0
        assert not found.windows.any()

    def test_nothing_heard_is_no_window(self, stems):
        meter = BalanceMeter(rate_hz=RATE_HZ, stem_channels=[1], mix_channels=[1])
        (found,) = meter.foreign()
        assert (found.share, len(found.windows), found.window_s) == (0.0, 0, WINDOW_S)


class TestArithmetic:
    """Energies whose answer is plain: one stem, 20 s in 80 stretches, eight bands."""

    @staticmethod
    def stem(seed: int = 1) -> NDArray[np.float64]:
        return np.random.default_rng(seed).uniform(0.5, 1.5, (80, 8, 1))

    def test_what_follows_the_stem_is_the_stems(self):
        own = self.stem()
        found = foreign_sound(0.5 * own[:, :, 0], 1.5 * own[:, :, 0], own, stretch_s=STRETCH_S)
        assert found.share == 0.0

    def test_a_burst_counts_beyond_the_margin(self):
        own = self.stem()
        residual = 0.5 * own[:, :, 0]
        burst = np.zeros_like(residual)
        burst[40:48] = 40.0
        energy = own[:, :, 0] + residual + burst
        found = foreign_sound(residual + burst, energy, own, stretch_s=STRETCH_S)
        left = burst.sum() - (MARGIN - 1) * residual[40:48].sum()
        # The fit may take some of the burst for the stem's: by less than a tenth.
        assert found.share == pytest.approx(left / energy.sum(), rel=0.1)
        assert found.window_s == 2.0
        assert found.windows.argmax() == 5
        assert np.delete(found.windows, 5).max() == 0.0

    def test_a_soft_window_says_nothing(self):
        own = self.stem()
        own[:16] = 1e-6
        residual = np.zeros((80, 8))
        residual[:16] = 1e-5  # ten times what the stem has there, 60 dB under the song
        found = foreign_sound(residual, own[:, :, 0] + residual, own, stretch_s=STRETCH_S)
        assert not found.windows[:2].any()

    def test_it_changes_nothing_that_it_is_given(self):
        own = self.stem()
        residual, energy = own[:, :, 0] * 0.3, own[:, :, 0] * 1.3
        before = [one.copy() for one in (residual, energy, own)]
        foreign_sound(residual, energy, own, stretch_s=STRETCH_S)
        for one, kept in zip((residual, energy, own), before, strict=True):
            np.testing.assert_array_equal(one, kept)
