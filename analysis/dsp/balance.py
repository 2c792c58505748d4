"""How loud each stem stands in a finished mix, and how two mixes of the same stems differ.

The level of a stem is the energy that it has in the mix, over all its channels, over the energy that it has
itself: fader, pan, equaliser and the room's answer together. A pan that keeps the energy keeps the level.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import special

from analysis.dsp.crossspectra import CrossSpectra
from analysis.dsp.foreign import WINDOW_S, ForeignSound, foreign_sound
from analysis.dsp.lateenergy import late_energy
from analysis.dsp.stemfit import N_GROUPS, StemFit, fit_stems

N_BANDS = 32
# Bands this far under the loudest do not count in what is explained: they may hold nothing but dither.
SOFTEST_BAND = 1e-5

# What is left of a level's error when everything is as the model says. Measured on simulated mixes.
LEAST_ERROR_DB = 0.12
# How far from its part of the residual a stem's late sound may lie, as a share of that part. Measured too.
LATE_ERROR = 0.4

# A number is told where it is as likely as this to lie so near the truth. Common practice, no source.
SURE = 0.95
SURE_WITHIN_DB = 1.5
# Less of a song cannot be left out piece by piece.
SHORTEST_S = 4.2
# A stem is said to be absent where even the upper of its bounds lies this far under its fellows' middle.
ABSENT_DB = -30.0

DB_A_NEPER = 10.0 / math.log(10.0)


@dataclass(frozen=True, slots=True)
class StemLevel:
    """One stem's level in a mix, or its difference between two.

    Attributes
    ----------
    db : float
        -inf where nothing of the stem is found, nan for a silent stem.
    error_db : float
        Half of the 95 % bounds: 19 in 20 true levels are to lie within ``db ± error_db``. inf if unknown.
    confidence : float
        0.0 to 1.0: the probability that the true level lies within 1.5 dB of `db`; of -inf, that the stem is
        not in the mix.
    """

    db: float
    error_db: float
    confidence: float

    @property
    def is_sure(self) -> bool:
        """Whether the number may be told."""
        return math.isfinite(self.db) and self.confidence >= SURE

    @property
    def is_absent(self) -> bool:
        """Whether the stem is surely not in the mix."""
        return self.db == -math.inf and self.confidence >= SURE


@dataclass(frozen=True, eq=False)
class MixBalance:
    """What was found of one mix.

    Attributes
    ----------
    stems : tuple of StemLevel
        In the order of the stems.
    explained : float
        Mean over the bands of the share of the mix's energy that the stems account for, 0.0 to 1.0; nan for a
        silent mix.
    residual_db : float
        Energy of what the stems do not account for over that of the mix; nan for a silent mix.
    bus_gain_db : ndarray, shape (n_stretches,)
        The gain that all stems share over time; its mean over the energy is 0 dB.
    unexplained : ndarray, shape (n_bands,)
        The share of each band's energy that the stems do not account for, 0.0 to 1.0; nan for a band that is
        silent or holds nothing but dither. `BalanceMeter.band_edges_hz` tells the bands.
    """

    stems: tuple[StemLevel, ...]
    explained: float
    residual_db: float
    bus_gain_db: NDArray[np.float64]
    unexplained: NDArray[np.float64]
    _left_out_db: NDArray[np.float64] = field(repr=False)  # (N_GROUPS, n_stems)
    _model_error_db: NDArray[np.float64] = field(repr=False)  # (n_stems,)


class BalanceMeter:
    """Collects stems and mixes, given side by side in blocks, all aligned and at one rate.

    Parameters
    ----------
    rate_hz : int
    stem_channels, mix_channels : sequence of int
        How many channels each stem and each mix has.

    Raises
    ------
    RateError
        A rate that audio is not kept at.
    ValueError
        No stem or no mix.
    """

    def __init__(self, *, rate_hz: int, stem_channels: Sequence[int], mix_channels: Sequence[int]) -> None:
        if not stem_channels or not mix_channels:
            raise ValueError("expected at least one stem and one mix")
        self._rate_hz = rate_hz
        self._stems = _slices(stem_channels, start=0)
        self._mixes = _slices(mix_channels, start=sum(stem_channels))
        self._spectra = CrossSpectra(
            rate_hz=rate_hz, n_channels=sum(stem_channels) + sum(mix_channels), n_bands=N_BANDS
        )

    @property
    def step_frames(self) -> int:
        """The block length that is taken with the least copying; any other will do as well."""
        return self._spectra.step_frames

    def add(self, audio: NDArray[np.floating]) -> None:
        """Take the next block, shape (n_frames, all stem channels, then all mix channels).

        Raises ShapeError for another channel count.
        """
        self._spectra.add(audio)

    @property
    def band_edges_hz(self) -> NDArray[np.float64]:
        """Where each band begins, and the last one ends: shape (n_bands + 1,)."""
        return np.asarray(self._spectra.edges * self._rate_hz / self._spectra.frame_frames)

    def result(self) -> tuple[MixBalance, ...]:
        """The balance of each mix. Ends the collecting."""
        self._spectra.finish()
        return self._between(0, len(self._spectra.matrices()))

    def foreign(self) -> tuple[ForeignSound, ...]:
        """Of each mix, an estimate of what follows none of the stems. Ends the collecting."""
        self._spectra.finish()
        matrices = self._spectra.matrices()
        if not len(matrices):
            return tuple(ForeignSound(0.0, np.zeros(0), WINDOW_S) for _ in self._mixes)
        stretch_s = self._spectra.stretch_frames / self._rate_hz
        found = []
        for mix in self._mixes:
            fit = fit_stems(matrices, self._stems[-1].stop, mix, self._spectra.n_values, leaves_out=False)
            own = _contributions(matrices, fit, self._stems)
            found.append(foreign_sound(fit.residual, fit.energy, own, stretch_s=stretch_s))
        return tuple(found)

    def section(self, start_s: float, end_s: float) -> tuple[MixBalance, ...]:
        """The balance of each mix from one time to another, to the nearest quarter of a second. Ends the
        collecting.

        Of less than `SHORTEST_S`, or of a part that the recordings do not reach, nothing is sure.

        Raises
        ------
        ValueError
            The end does not come after the start.
        """
        if not start_s < end_s:
            raise ValueError(f"a section must end after its start, got {start_s} s to {end_s} s")
        self._spectra.finish()
        stretch_s = self._spectra.stretch_frames / self._rate_hz
        return self._between(max(0, round(start_s / stretch_s)), max(0, round(end_s / stretch_s)))

    def _between(self, first: int, last: int) -> tuple[MixBalance, ...]:
        whole = self._spectra.matrices()
        matrices = whole[first:last]
        if not len(matrices):  # where nothing was recorded, it is silent
            matrices = np.zeros((1, *whole.shape[1:]), whole.dtype)
        n_values = self._spectra.n_values * (len(matrices) / max(1, len(whole)))
        return tuple(_balance(matrices, self._stems, mix, n_values) for mix in self._mixes)


def compare(mix: MixBalance, reference: MixBalance) -> tuple[StemLevel, ...]:
    """How much louder each stem stands in a mix than in a reference, less what all have in common.

    What they have in common is the median over the stems that are sure in both. Where a stem is missing or
    unsure in one of them its difference is nan, with the lower confidence of the two.
    """
    pairs = list(zip(mix.stems, reference.stems, strict=True))
    known = np.array([one.is_sure and other.is_sure for one, other in pairs])
    if not known.any():
        return tuple(_unknown(min(one.confidence, other.confidence)) for one, other in pairs)
    difference_db = np.array([one.db - other.db for one, other in pairs])
    difference_db -= np.median(difference_db[known])
    left_out_db = mix._left_out_db - reference._left_out_db
    left_out_db = left_out_db - np.median(left_out_db[:, known], axis=1, keepdims=True)
    spread_db = _jackknife_error(left_out_db)
    model_db = np.hypot(mix._model_error_db, reference._model_error_db)
    return tuple(
        _level(difference_db[at], spread_db[at], model_db[at])
        if ok
        else _unknown(min(one.confidence, other.confidence))
        for at, ((one, other), ok) in enumerate(zip(pairs, known, strict=True))
    )


def _slices(counts: Sequence[int], *, start: int) -> tuple[slice, ...]:
    ends = start + np.cumsum(counts)
    return tuple(slice(int(end) - count, int(end)) for end, count in zip(ends, counts, strict=True))


def _balance(
    matrices: NDArray[np.complex64], stems: Sequence[slice], mix: slice, n_values: NDArray[np.float64]
) -> MixBalance:
    n_stem_channels = stems[-1].stop
    fit = fit_stems(matrices, n_stem_channels, mix, n_values)
    own = matrices[:, :, :n_stem_channels, :n_stem_channels].sum(axis=0, dtype=np.complex128)
    in_phase = _energies(own, fit.responses[None], stems)[0]
    late = in_phase * late_energy(fit.residual, _contributions(matrices, fit, stems)).T
    level = (in_phase + late).sum(axis=1)
    left_out = _energies(own, fit.left_out, stems).sum(axis=2)
    left_out *= np.divide(level, in_phase.sum(axis=1), out=np.ones_like(level), where=level > 0)
    # Groups are made of whole stretches: with fewer stretches than groups, some would be empty.
    spread = _jackknife_error(left_out) if len(matrices) >= N_GROUPS else np.full_like(level, math.inf)
    model_db = _model_error_db(own, fit, stems)
    energy, residual = fit.energy.sum(axis=0), fit.residual.sum(axis=0)
    counted = energy > SOFTEST_BAND * energy.max(initial=0.0)
    is_silent = not counted.any()
    unexplained = np.full_like(energy, math.nan)
    unexplained[counted] = (residual[counted] / energy[counted]).clip(0.0, 1.0)
    return MixBalance(
        stems=_levels(level, spread, model_db),
        explained=math.nan if is_silent else float(1.0 - np.mean(unexplained[counted])),
        residual_db=math.nan if is_silent else float(_decibels(residual.sum() / energy.sum())),
        bus_gain_db=20.0 * np.log10(fit.bus_gain),
        unexplained=unexplained,
        _left_out_db=_decibels(left_out),
        _model_error_db=model_db,
    )


def _energies(
    own: NDArray[np.complex128], responses: NDArray[np.complex128], stems: Sequence[slice]
) -> NDArray[np.float64]:
    """Each stem's energy in the mix over its own: (n_responses, n_stems, n_bands); nan for silence."""
    found = []
    for stem in stems:
        power = own[:, stem, stem]
        gain = responses[:, :, stem]
        heard = np.einsum("rbic,bij,rbjc->rb", gain.conj(), power, gain).real
        total = float(np.einsum("bii->", power).real)
        found.append(heard / total if total else np.full_like(heard, math.nan))
    return np.stack(found, axis=1)


def _contributions(
    matrices: NDArray[np.complex64], fit: StemFit, stems: Sequence[slice]
) -> NDArray[np.float64]:
    """The energy of each stem in each cell of the mix, in phase: (n_stretches, n_bands, n_stems)."""
    found = np.empty((*matrices.shape[:2], len(stems)))
    for at, stem in enumerate(stems):
        gain = fit.responses[:, stem]
        heard = np.einsum("bic,nbij,bjc->nb", gain.conj(), matrices[:, :, stem, stem], gain, optimize=True)
        found[:, :, at] = heard.real * fit.bus_gain[:, None] ** 2
    return found


def _model_error_db(own: NDArray[np.complex128], fit: StemFit, stems: Sequence[slice]) -> NDArray[np.float64]:
    """What leaving out pieces of the song cannot show, because it is there in all of them: one for each stem.

    Two parts: what the equations leave open, most where stems sound alike and much is unexplained; and whose
    the late sound is, which is estimated.
    """
    energies = _energies(own, fit.responses[None], stems)[0]
    residual, energy = fit.residual.sum(axis=0), fit.energy.sum(axis=0)
    unexplained = residual / np.maximum(energy - residual, 0.05 * energy + 1e-30)
    errors = []
    for stem, heard in zip(stems, energies, strict=True):
        power = own[:, stem, stem]
        total = float(np.einsum("bii->", power).real)
        if not (total and heard.sum() > 0):
            errors.append(math.inf)
            continue
        open_to = 0.0
        for responses in fit.responses.transpose(2, 0, 1):
            slope = np.zeros_like(responses)
            slope[:, stem] = np.einsum("bij,bj->bi", power, responses[:, stem])
            open_to += fit.system.variance(slope)
        left_open = math.sqrt(open_to) / (total * float(heard.sum()))
        late = LATE_ERROR * float(heard @ unexplained) / float(heard.sum())
        errors.append(DB_A_NEPER * math.hypot(left_open, late))
    return np.array(errors)


def _jackknife_error(left_out: NDArray[np.float64]) -> NDArray[np.float64]:
    """Standard error from leave-one-out values along the first axis (B. Efron, The Jackknife, chapter 3)."""
    n = len(left_out)
    squares = np.sum((left_out - left_out.mean(axis=0)) ** 2, axis=0)
    return np.asarray(np.sqrt(squares * (n - 1) / n))


def _levels(
    energy: NDArray[np.float64], spread: NDArray[np.float64], model_db: NDArray[np.float64]
) -> tuple[StemLevel, ...]:
    """Levels from energies, their standard errors, and the model's errors in dB."""
    audible = energy[np.isfinite(energy) & (energy > 2.0 * spread)]
    middle = float(np.median(audible)) if audible.size else math.inf
    levels = []
    for one, error, model in zip(energy.tolist(), spread.tolist(), model_db.tolist(), strict=True):
        if math.isnan(one) or math.isinf(error):
            levels.append(_unknown(0.0))
        elif max(one, 0.0) + 2.0 * error <= middle * 10.0 ** (ABSENT_DB / 10.0):
            levels.append(StemLevel(-math.inf, math.inf, SURE))
        elif one <= 0.0:
            levels.append(_unknown(0.0))
        else:
            levels.append(_level(DB_A_NEPER * math.log(one), DB_A_NEPER * error / one, model))
    return tuple(levels)


def _level(db: float, spread_db: float, model_db: float) -> StemLevel:
    """A level with its bounds and confidence, by Student's t with the jackknife's degrees of freedom."""
    error_db = math.sqrt(spread_db**2 + model_db**2 + LEAST_ERROR_DB**2)
    if not math.isfinite(error_db):
        return _unknown(0.0)
    freedom = N_GROUPS - 1
    return StemLevel(
        db=float(db),
        error_db=float(special.stdtrit(freedom, 0.975)) * error_db,
        confidence=float(2.0 * special.stdtr(freedom, SURE_WITHIN_DB / error_db) - 1.0),
    )


def _unknown(confidence: float) -> StemLevel:
    return StemLevel(math.nan, math.inf, confidence)


def _decibels(energy: NDArray[np.float64]) -> NDArray[np.float64]:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(10.0 * np.log10(energy))
