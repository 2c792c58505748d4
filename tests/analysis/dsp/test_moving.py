"""A bus that moves inside a stretch, strips that move between them, and the walk that both are."""

import numpy as np
import pytest

from analysis.dsp.balance import BalanceMeter, compare
from analysis.dsp.crossspectra import CrossSpectra
from analysis.dsp.moments import LINES, STEPS, Moments
from analysis.dsp.randomwalk import REST, random_walk
from analysis.dsp.stemfit import fit_stems
from analysis.dsp.stripmoves import StretchGains

RATE_HZ = 48_000
SECONDS = 8
BEAT_S = 0.5
STEMS = (slice(0, 1), slice(1, 2), slice(2, 3))


class TestRandomWalk:
    def test_it_solves_its_equations(self):
        # Against NumPy's general solver: precision of what is seen, and of each step.
        rng = np.random.default_rng(1)
        sure, seen, step = rng.uniform(0, 50, 40), rng.uniform(0.5, 1.5, 40), 0.1
        steps = np.diff(np.eye(40), axis=0)
        dense = np.diag(sure + REST) + steps.T @ steps / step**2
        assert random_walk(sure * seen, sure, step) == pytest.approx(
            np.linalg.solve(dense, sure * seen + REST), rel=1e-9
        )

    def test_between_two_places_that_are_seen_it_is_drawn_straight(self):
        sure = np.zeros(11)
        sure[[0, 10]] = 1e9
        told = sure * np.linspace(0.5, 1.5, 11)
        assert random_walk(told, sure, 0.1) == pytest.approx(np.linspace(0.5, 1.5, 11), abs=1e-4)

    @pytest.mark.parametrize("n", [1, 2, 9])
    def test_where_nothing_is_seen_it_stands_at_one(self, n):
        assert random_walk(np.zeros(n), np.zeros(n), 0.1) == pytest.approx(np.ones(n))


@pytest.fixture(scope="module")
def stems():
    """Strokes that last a fifth of a beat, and two sounds that go on; noise, shape (n, 3)."""
    rng = np.random.default_rng(3)
    sounds = 0.1 * rng.standard_normal((SECONDS * RATE_HZ, 3))
    beat = np.arange(len(sounds)) / RATE_HZ % BEAT_S
    sounds[:, 0] *= 3.0 * (beat < BEAT_S / 5)
    return sounds.astype(np.float32)


@pytest.fixture(scope="module")
def dips():
    """A bus 6 dB down during every other stroke; edges of a hundredth of a second.

    Were it down during all of them, nobody could tell it from a fader.
    """
    beats, beat = np.divmod(np.arange(SECONDS * RATE_HZ) / RATE_HZ, BEAT_S)
    down = np.interp(beat, [0, 0.01, BEAT_S / 5, BEAT_S / 5 + 0.01], [0.0, 1.0, 1.0, 0.0])
    return (1.0 - 0.5 * down * (beats % 2)).astype(np.float32)


def collected(audio, *, most_bytes=None, monkeypatch=None):
    """Cross spectra and moments of three stems and a mono mix."""
    if most_bytes is not None:
        monkeypatch.setattr("analysis.dsp.moments.MOST_BYTES", most_bytes)
    moments = Moments(stems=STEMS, n_channels=4, lot_frames=3)
    spectra = CrossSpectra(
        rate_hz=RATE_HZ, n_channels=4, n_bands=32, frame_s=0.17, stretch_spectra=3, also=moments.take
    )
    spectra.add(audio)
    spectra.finish()
    return spectra, moments


def lots_of(spectra):
    return [slice(at, at + 1) for at in range(len(spectra.matrices()))]


def met_by(spectra, moments):
    """What the stems meet where all their responses are 1, and no strip moves."""
    responses, still = np.ones((spectra.n_bands, 3, 1), complex), np.full(3, 1e-5)
    return moments.bus_met(responses, slice(3, 4), spectra.edges, still, lots_of(spectra))


class TestBusInsideAStretch:
    def test_each_stem_meets_it_when_it_sounds(self, stems, dips):
        mix = dips * stems.sum(axis=1)
        spectra, moments = collected(np.column_stack((stems, mix)))
        power = np.einsum("nbii->ni", spectra.matrices().real)[:, :3]
        met = np.average(met_by(spectra, moments), axis=0, weights=power)
        # By its definition: the gain over each stem's energy, of the whole song. 3 %: our own choice.
        energy = stems.astype(float) ** 2
        true = (energy * dips[:, None]).sum(axis=0) / energy.sum(axis=0)
        assert true[0] < 0.8 < 0.9 < true[1]
        assert met[0] / met[1] == pytest.approx(true[0] / true[1], rel=0.03)
        assert met[2] == pytest.approx(met[1], rel=0.03)

    def test_a_bus_that_stands_still_is_met_by_all_alike(self, stems):
        met = met_by(*collected(np.column_stack((stems, stems.sum(axis=1)))))
        assert met[:-1] == pytest.approx(np.ones_like(met[:-1]), abs=0.02)

    def test_what_is_beyond_the_room_for_it_is_met_evenly(self, stems, dips, monkeypatch):
        a_lot = 4 * 3 * (4 * LINES + 3 * STEPS)
        audio = np.column_stack((stems, dips * stems.sum(axis=1)))
        spectra, moments = collected(audio, most_bytes=10 * a_lot, monkeypatch=monkeypatch)
        met = met_by(spectra, moments)
        assert np.abs(met[:10] - 1.0).max() > 0.1
        assert np.array_equal(met[10:], np.ones_like(met[10:]))

    @pytest.mark.parametrize("gain", [1e-5, 1e4])
    def test_neither_soft_nor_far_above_full_scale_does_it_lose_its_way(self, stems, dips, gain):
        audio = np.column_stack((stems, dips * stems.sum(axis=1)))
        met = met_by(*collected(audio))
        assert met_by(*collected(np.float32(gain) * audio)) == pytest.approx(met, rel=0.02)

    def test_strokes_under_a_bus_keep_their_level(self, stems, dips):
        meter = BalanceMeter(rate_hz=RATE_HZ, stem_channels=[1, 1, 1], mix_channels=[1, 1])
        mix = stems.sum(axis=1)
        meter.add(np.column_stack((stems, dips * mix, mix)))
        squeezed, plain = meter.result()
        # With one gain a stretch the strokes read 0.8 dB softer against the others. 0.5 dB: our own goal.
        assert [level.db for level in compare(squeezed, plain)] == pytest.approx([0.0] * 3, abs=0.5)


def moves_of(matrices, fit, spectra):
    gains = StretchGains(matrices, fit, STEMS, slice(3, 4), spectra.n_values)
    return gains.moves(np.ones((len(matrices), 1)))


class TestStripsBetweenStretches:
    def test_what_one_does_alone_is_its_own_and_what_all_do_is_the_bus(self, stems):
        n = len(stems)
        time_s = np.arange(n) / RATE_HZ
        bus = 1.0 + 0.3 * np.sin(2 * np.pi * time_s / 4.0)
        own = 1.0 + 0.4 * np.sin(2 * np.pi * time_s / 2.5)
        mix = bus * (stems[:, 0] + own * stems[:, 1] + stems[:, 2])
        spectra, _ = collected(np.column_stack((stems, mix)).astype(np.float32))
        matrices = spectra.matrices()
        fit = fit_stems(matrices, 3, slice(3, 4), spectra.n_values, leaves_out=False)
        moves = StretchGains(matrices, fit, STEMS, slice(3, 4), spectra.n_values).moves(
            np.ones((len(matrices), 1))
        )
        assert moves.variance[1] > 0.01
        assert moves.variance[[0, 2]].max() < 0.1 * moves.variance[1]
        middle = np.minimum((np.arange(len(matrices)) * 3 + 2) * 4096, n - 1)
        for found, true in ((moves.bus, bus[middle]), (moves.strips[:, 1], own[middle])):
            inner = slice(1, -2)  # what hangs over the ends is half silence
            ratio = found[inner] / true[inner]
            assert ratio / np.median(ratio) == pytest.approx(np.ones_like(ratio), abs=0.1)

    def test_silence_moves_nothing(self, stems):
        silent = np.zeros((len(stems), 4), np.float32)
        silent[:, :3] = stems
        silent[:, 1] = 0.0
        spectra, _ = collected(silent)
        matrices = spectra.matrices()
        fit = fit_stems(matrices, 3, slice(3, 4), spectra.n_values, leaves_out=False)
        moves = StretchGains(matrices, fit, STEMS, slice(3, 4), spectra.n_values).moves(
            np.ones((len(matrices), 1))
        )
        assert moves.strips == pytest.approx(np.ones_like(moves.strips))
        assert np.isfinite(moves.bus).all()
