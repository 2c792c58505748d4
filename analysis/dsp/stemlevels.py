"""The level of a stem, or of a sum of stems, in a fitted mix, and how sure it is."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from analysis.dsp.movingfit import MovingFit
from analysis.dsp.stemfit import N_GROUPS, StemFit

# How much of a level's error each cause makes, as a factor on what can be computed of it: `told_level` and
# `_model_error_db` tell what it is. The likeliest on the simulated mixes of the seeds that
# `tests.bench.bench_balance` names, rounded up such that the bounds hold for all kinds of mixes there.
LEAST_ERROR_DB = 0.065
SPREAD_ERROR = 0.1
OPEN_ERROR = 1.3
LATE_ERROR = 0.32
SHORT_ERROR = 0.65
BUS_ERROR = 0.22
STRIP_ERROR = 0.68

# A number is told where it is as likely as this to lie so near the truth. Common practice, no source.
SURE = 0.95
SURE_WITHIN_DB = 1.5
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


@dataclass(frozen=True, eq=False, slots=True)
class Part:
    """Some stems' sum in a mix; one stem alone is the sum of one.

    `energy` is over that of their plain sum, nan for silence, and `spread` its standard error by leaving out
    pieces of the song, inf where that is too short for it. `left_out_db` (N_GROUPS,) is the same in dB
    without each group, and `model_db` the error that leaving out cannot show.
    """

    energy: float
    spread: float
    left_out_db: NDArray[np.float64]
    model_db: float

    @property
    def spread_db(self) -> float:
        """The spread in dB, to first order; inf where no energy is found."""
        return DB_A_NEPER * self.spread / self.energy if self.energy > 0 else math.inf


@dataclass(frozen=True, eq=False, slots=True)
class Heard:
    """What is heard of the stems in one mix, from which the level of any of them, or of a sum, is computed.

    `own` holds the stems' cross spectra over the whole song (n_bands, n_stem_channels, n_stem_channels),
    `behind_strips` the same with the gains of their strips, and `late` each stem's late sound over its energy
    in phase (n_bands, n_stems).
    """

    own: NDArray[np.complex128]
    behind_strips: NDArray[np.complex128]
    stems: tuple[slice, ...]
    moving: MovingFit
    late: NDArray[np.float64]

    @property
    def fit(self) -> StemFit:
        """Of the stems with all gains in them."""
        return self.moving.fit

    def part(self, members: Sequence[int]) -> Part:
        """The sum of some stems. Late sounds add by their energies, for they have no phase in common."""
        channels = self._channels(members)
        plain = _plain_energy(self.own[:, channels[:, None], channels], [self.stems[at] for at in members])
        own = self.behind_strips[:, channels[:, None], channels]
        in_phase = _energies(own, self.fit.responses[None, :, channels])[0]
        energy = float(in_phase.sum()) + sum(self._late_of(at) for at in members)
        left_out = _energies(own, self.fit.left_out[:, :, channels]).sum(axis=1)
        if in_phase.sum() > 0:
            left_out = left_out * energy / float(in_phase.sum())
        if not plain > 0:
            return Part(math.nan, math.nan, np.full(N_GROUPS, math.nan), math.inf)
        # Groups are made of whole stretches: with fewer stretches than groups, some would be empty.
        is_long = len(self.moving.bus) >= N_GROUPS
        with np.errstate(divide="ignore"):
            left_out_db = 10.0 * np.log10(left_out / plain)
        return Part(
            energy=energy / plain,
            spread=float(jackknife_error(left_out / plain)) if is_long else math.inf,
            left_out_db=left_out_db,
            model_db=self._model_error_db(members, in_phase),
        )

    def correlations(self) -> NDArray[np.float64]:
        """How what the equations leave open of each stem's energy goes with that of the others.

        Shape (n_stems, n_stems), -1 to 1; 0 for silent stems and on the diagonal.
        """
        covariance = np.zeros((len(self.stems), len(self.stems)))
        for responses in self.fit.responses.transpose(2, 0, 1):
            slopes = np.zeros((*responses.shape, len(self.stems)), np.complex128)
            for at, stem in enumerate(self.stems):
                slopes[:, stem, at] = np.einsum(
                    "bij,bj->bi", self.behind_strips[:, stem, stem], responses[:, stem]
                )
            covariance += self.fit.system.covariance(slopes)
        size = np.sqrt(np.diag(covariance))
        scale = np.divide(1.0, size, out=np.zeros_like(size), where=size > 0)
        correlations = covariance * scale[:, None] * scale
        np.fill_diagonal(correlations, 0.0)
        return np.asarray(correlations)

    def _channels(self, members: Sequence[int]) -> NDArray[np.intp]:
        return np.concatenate([np.arange(self.stems[at].start, self.stems[at].stop) for at in members])

    def _late_of(self, at: int) -> float:
        stem = self.stems[at]
        in_phase = _energies(self.behind_strips[:, stem, stem], self.fit.responses[None, :, stem])[0]
        return float(in_phase @ self.late[:, at])

    def _model_error_db(self, members: Sequence[int], in_phase: NDArray[np.float64]) -> float:
        """What leaving out pieces of the song cannot show, because it is there in all of them.

        Five parts: what the equations leave open, most where stems sound alike and much is unexplained; how
        much late sound is counted in, for whose it is can only be estimated; how few stretches hold the
        sound, so that what is unexplained in them does not average out; what was taken for the bus while the
        sound was alone or nearly, for there it may have been the strip; and what was taken for the strip, for
        that may have been the bus.
        """
        total = float(in_phase.sum())
        if not total > 0:
            return math.inf
        channels = self._channels(members)
        own = self.behind_strips[:, channels[:, None], channels]
        open_to = 0.0
        for responses in self.fit.responses.transpose(2, 0, 1):
            slope = np.zeros_like(responses)
            slope[:, channels] = np.einsum("bij,bj->bi", own, responses[:, channels])
            open_to += self.fit.system.variance(slope)
        left = float(self.fit.residual.sum() / self.fit.energy.sum())
        each = self.moving.contributions.sum(axis=1)
        of_members = each[:, list(members)].sum(axis=0)
        over_time = each[:, list(members)].sum(axis=1)
        stretches = float(over_time.sum() ** 2 / np.sum(over_time**2))
        before_bus = (each / self.moving.bus**2)[:, list(members)].sum(axis=1)
        turned = float(over_time.sum() / before_bus.sum())
        of_all = over_time / np.maximum(each.sum(axis=1), 1e-30)
        alone = float(before_bus @ of_all / before_bus.sum())
        strips_db = self._moved_by_strips_db()
        return math.hypot(
            DB_A_NEPER * OPEN_ERROR * math.sqrt(open_to) / total,
            DB_A_NEPER * LATE_ERROR * sum(self._late_of(at) for at in members) / total,
            DB_A_NEPER * SHORT_ERROR * math.sqrt(left / stretches),
            DB_A_NEPER * BUS_ERROR * alone * abs(turned - 1.0),
            STRIP_ERROR * float(np.average(strips_db[list(members)], weights=of_members)),
        )

    def _moved_by_strips_db(self) -> NDArray[np.float64]:
        """How far each stem's own moves change its level against the middle of all: (n_stems,), >= 0."""
        behind = self.moving.contributions.sum(axis=1) / self.moving.bus**2
        before = (behind / self.moving.strips**2).sum(axis=0)
        moved = np.divide(behind.sum(axis=0), before, out=np.ones_like(before), where=before > 0)
        return np.asarray(np.abs(10.0 * np.log10(moved / np.median(moved[before > 0]))))


def _energies(own: NDArray[np.complex128], responses: NDArray[np.complex128]) -> NDArray[np.float64]:
    """The energy in the mix of channels with cross spectra `own`: (n_responses, n_bands)."""
    return np.asarray(np.einsum("rbic,bij,rbjc->rb", responses.conj(), own, responses, optimize=True).real)


def _plain_energy(own: NDArray[np.complex128], stems: Sequence[slice]) -> float:
    """The energy of the stems' plain sum: a mono one goes to all channels alike and keeps its energy."""
    width = max(stem.stop - stem.start for stem in stems)
    places = []
    for stem in stems:
        n_channels = stem.stop - stem.start
        places.append(np.full((1, width), width**-0.5) if n_channels == 1 else np.eye(n_channels, width))
    summed = np.concatenate(places)
    return float(np.einsum("ic,bij,jc->", summed, own, summed, optimize=True).real)


def jackknife_error(left_out: NDArray[np.float64]) -> NDArray[np.float64]:
    """Standard error from leave-one-out values along the first axis (B. Efron, The Jackknife, chapter 3)."""
    n = len(left_out)
    squares = np.sum((left_out - left_out.mean(axis=0)) ** 2, axis=0)
    return np.asarray(np.sqrt(squares * (n - 1) / n))


def levels_of(parts: Sequence[Part]) -> tuple[StemLevel, ...]:
    """The level of each stem: unknown for silence and where it is too short for bounds, -inf where absent."""
    audible = [part.energy for part in parts if part.energy > 2.0 * part.spread]
    middle = float(np.median(audible)) if audible else math.inf
    levels = []
    for part in parts:
        if math.isnan(part.energy) or math.isinf(part.spread):
            levels.append(unknown_level(0.0))
        elif max(part.energy, 0.0) + 2.0 * part.spread <= middle * 10.0 ** (ABSENT_DB / 10.0):
            levels.append(StemLevel(-math.inf, math.inf, SURE))
        elif part.energy <= 0.0:
            levels.append(unknown_level(0.0))
        else:
            levels.append(told_level(decibels(part.energy), part.spread_db, part.model_db))
    return tuple(levels)


def told_level(db: float, spread_db: float, model_db: float) -> StemLevel:
    """A level with its bounds and confidence, by Student's t with the jackknife's degrees of freedom."""
    error_db = math.hypot(SPREAD_ERROR * spread_db, model_db, LEAST_ERROR_DB)
    if not math.isfinite(error_db):
        return unknown_level(0.0)
    freedom = N_GROUPS - 1
    return StemLevel(
        db=float(db),
        error_db=float(special.stdtrit(freedom, 0.975)) * error_db,
        confidence=float(2.0 * special.stdtr(freedom, SURE_WITHIN_DB / error_db) - 1.0),
    )


def unknown_level(confidence: float) -> StemLevel:
    """A level of which no number can be told: nan, with bounds of inf."""
    return StemLevel(math.nan, math.inf, confidence)


def decibels(energy: float) -> float:
    """Of a ratio of energies; -inf for 0 and below."""
    return 10.0 * math.log10(energy) if energy > 0 else -math.inf
