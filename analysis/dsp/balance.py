"""How loud each stem stands in a finished mix, and how two mixes of the same stems differ.

The level of a stem is the energy that it has in the mix, over all its channels, over the energy that it has
itself: fader, pan, equaliser and the room's answer together. A pan that keeps the energy keeps the level.
Of stems that sound alike only the sum may be certain; its level is told by `heard_together`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy.sparse.csgraph import connected_components

from analysis.dsp.crossspectra import CrossSpectra
from analysis.dsp.foreign import WINDOW_S, ForeignSound, foreign_sound
from analysis.dsp.lateenergy import late_energy
from analysis.dsp.stemfit import N_GROUPS, StemFit, fit_stems, scaled_to_energy

N_BANDS = 32
# Longer frames take more of a room's answer for part of its stem, and tell two microphones apart by more
# lines; longer still, and the bus moves inside a frame. Of 0.04 to 0.34 the best on simulated mixes.
FRAME_S = 0.17
STRETCH_SPECTRA = 3  # 256 ms at 48 kHz
# Bands this far under the loudest do not count in what is explained: they may hold nothing but dither.
SOFTEST_BAND = 1e-5

# How much of a level's error each cause makes, as a factor on what can be computed of it: `_level` and
# `_model_error_db` tell what it is. Chosen on the simulated mixes of the seeds that
# `tests.bench.bench_balance` names, such that the bounds hold for all kinds of mixes there.
LEAST_ERROR_DB = 0.06
SPREAD_ERROR = 0.3
OPEN_ERROR = 1.0
LATE_ERROR = 0.1
SHORT_ERROR = 0.9
RESIDUAL_ERROR = 0.1
WEIGHTED_ERROR = 1.4
BUS_ERROR = 0.2

# A number is told where it is as likely as this to lie so near the truth. Common practice, no source.
SURE = 0.95
SURE_WITHIN_DB = 1.5
# Less of a song cannot be left out piece by piece.
SHORTEST_S = 4.2
# A stem is said to be absent where even the upper of its bounds lies this far under its fellows' middle.
ABSENT_DB = -30.0
# Two stems are tied where what the equations leave open of their levels is correlated as much as this, either
# way: then what one gains the other loses, and their sum may be certain. Measured on simulated mixes.
TIED = 0.2

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
    _heard: _Heard = field(repr=False)
    _parts: tuple[_Part, ...] = field(repr=False)  # one for each stem


@dataclass(frozen=True, slots=True)
class StemGroup:
    """Stems whose single levels cannot all be told apart, and the level of their sum.

    The level of a sum is the energy that it has in the mix over that of the plain sum of its stems: where all
    their faders stand at one place, it is that place.

    Attributes
    ----------
    members : tuple of int
        The places of the stems, in their order.
    level : StemLevel
        Of their sum, in the mix.
    reference, difference : StemLevel or None
        Likewise in the reference mix, and how much louder the sum is in the mix than there, less what all
        stems have in common; None without a reference.
    """

    members: tuple[int, ...]
    level: StemLevel
    reference: StemLevel | None = None
    difference: StemLevel | None = None


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
            rate_hz=rate_hz,
            n_channels=sum(stem_channels) + sum(mix_channels),
            n_bands=N_BANDS,
            frame_s=FRAME_S,
            stretch_spectra=STRETCH_SPECTRA,
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
    known = _known(mix, reference)
    common = _in_common(mix, reference, known)
    return tuple(
        _difference(*parts, common)
        if common is not None and is_known
        else _unknown(min(one.confidence, other.confidence))
        for parts, one, other, is_known in zip(
            zip(mix._parts, reference._parts, strict=True), mix.stems, reference.stems, known, strict=True
        )
    )


def heard_together(mix: MixBalance, reference: MixBalance | None = None) -> tuple[StemGroup, ...]:
    """The groups of stems of which only the sum is certain: in the mix, or also in how it differs.

    Stems that sound alike, such as two microphones on one source, may trade level with each other without
    changing the mix much. Each group holds at least one stem of which a level is unsure, and all that it is
    tied to; of each group something is sure. Empty where every stem is sure, or unsure for its own reasons.
    """
    balances = [mix] if reference is None else [mix, reference]
    told = [balance.stems for balance in balances]
    if reference is not None:
        told.append(compare(mix, reference))
    sounds = [not any(balance.stems[at].is_absent for balance in balances) for at in range(len(mix.stems))]
    is_unsure = [sound and not all(of[at].is_sure for of in told) for at, sound in enumerate(sounds)]
    tied = np.max([np.abs(balance._heard.correlations()) for balance in balances], axis=0) >= TIED
    links = tied & np.outer(is_unsure, sounds)
    common = None if reference is None else _in_common(mix, reference, _known(mix, reference))
    groups = []
    for members in _joined(links):
        parts = [balance._heard.part(members) for balance in balances]
        levels = [_level(_decibels(part.energy), part.spread_db, part.model_db) for part in parts]
        if reference is None:
            group = StemGroup(members, levels[0])
        else:
            difference = _unknown(0.0) if common is None else _difference(parts[0], parts[1], common)
            group = StemGroup(members, levels[0], levels[1], difference)
        if any(level is not None and level.is_sure for level in (group.level, group.difference)):
            groups.append(group)
    return tuple(groups)


def _known(mix: MixBalance, reference: MixBalance) -> NDArray[np.bool_]:
    pairs = zip(mix.stems, reference.stems, strict=True)
    return np.array([one.is_sure and other.is_sure for one, other in pairs])


@dataclass(frozen=True, eq=False, slots=True)
class _Common:
    """What all stems have in common between two mixes, and the same without each group of the song."""

    db: float
    left_out_db: NDArray[np.float64]  # (N_GROUPS,)


def _in_common(mix: MixBalance, reference: MixBalance, known: NDArray[np.bool_]) -> _Common | None:
    """None where no stem is known in both."""
    if not known.any():
        return None
    pairs = [
        (one, other)
        for one, other, is_known in zip(mix._parts, reference._parts, known, strict=True)
        if is_known
    ]
    left_out_db = [one.left_out_db - other.left_out_db for one, other in pairs]
    return _Common(
        db=float(np.median([_decibels(one.energy) - _decibels(other.energy) for one, other in pairs])),
        left_out_db=np.median(left_out_db, axis=0),
    )


def _difference(one: _Part, other: _Part, common: _Common) -> StemLevel:
    return _level(
        _decibels(one.energy) - _decibels(other.energy) - common.db,
        float(_jackknife_error(one.left_out_db - other.left_out_db - common.left_out_db)),
        math.hypot(one.model_db, other.model_db),
    )


def _joined(links: NDArray[np.bool_]) -> list[tuple[int, ...]]:
    """The places that links join, directly or by way of others; places without a link are in none."""
    number, label = connected_components(links, directed=False)
    groups = [tuple(np.flatnonzero(label == at).tolist()) for at in range(number)]
    return [members for members in groups if len(members) > 1]


def _slices(counts: Sequence[int], *, start: int) -> tuple[slice, ...]:
    ends = start + np.cumsum(counts)
    return tuple(slice(int(end) - count, int(end)) for end, count in zip(ends, counts, strict=True))


def _balance(
    matrices: NDArray[np.complex64], stems: Sequence[slice], mix: slice, n_values: NDArray[np.float64]
) -> MixBalance:
    n_stem_channels = stems[-1].stop
    weighted = fit_stems(matrices, n_stem_channels, mix, n_values)
    fit = scaled_to_energy(matrices, weighted, stems, mix, n_values)
    contributions = _contributions(matrices, fit, stems)
    heard = _Heard(
        own=matrices[:, :, :n_stem_channels, :n_stem_channels].sum(axis=0, dtype=np.complex128),
        stems=tuple(stems),
        fit=fit,
        late=late_energy(fit.residual, contributions),
        over_time=contributions.sum(axis=1),
        weighted=weighted.responses,
    )
    parts = tuple(heard.part((at,)) for at in range(len(stems)))
    energy, residual = fit.energy.sum(axis=0), fit.residual.sum(axis=0)
    counted = energy > SOFTEST_BAND * energy.max(initial=0.0)
    is_silent = not counted.any()
    unexplained = np.full_like(energy, math.nan)
    unexplained[counted] = (residual[counted] / energy[counted]).clip(0.0, 1.0)
    return MixBalance(
        stems=_levels(parts),
        explained=math.nan if is_silent else float(1.0 - np.mean(unexplained[counted])),
        residual_db=math.nan if is_silent else _decibels(float(residual.sum() / energy.sum())),
        bus_gain_db=20.0 * np.log10(fit.bus_gain),
        unexplained=unexplained,
        _heard=heard,
        _parts=parts,
    )


@dataclass(frozen=True, eq=False, slots=True)
class _Part:
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
        return DB_A_NEPER * self.spread / self.energy if self.energy > 0 else math.inf


@dataclass(frozen=True, eq=False, slots=True)
class _Heard:
    """What is heard of the stems in one mix, from which the level of any of them, or of a sum, is computed.

    `own` holds the stems' cross spectra over the whole song (n_bands, n_stem_channels, n_stem_channels),
    `late` each stem's late sound over its energy in phase (n_bands, n_stems), `over_time` its energy in the
    mix (n_stretches, n_stems), and `weighted` the responses before they were scaled to the stems' energy.
    """

    own: NDArray[np.complex128]
    stems: tuple[slice, ...]
    fit: StemFit
    late: NDArray[np.float64]
    over_time: NDArray[np.float64]
    weighted: NDArray[np.complex128]

    def part(self, members: Sequence[int]) -> _Part:
        """The sum of some stems. Late sounds add by their energies, for they have no phase in common."""
        channels = self._channels(members)
        own = self.own[:, channels[:, None], channels]
        plain = _plain_energy(own, [self.stems[at] for at in members])
        in_phase = _energies(own, self.fit.responses[None, :, channels])[0]
        energy = float(in_phase.sum()) + sum(self._late_of(at) for at in members)
        left_out = _energies(own, self.fit.left_out[:, :, channels]).sum(axis=1)
        if in_phase.sum() > 0:
            left_out = left_out * energy / float(in_phase.sum())
        if not plain > 0:
            return _Part(math.nan, math.nan, np.full(N_GROUPS, math.nan), math.inf)
        # Groups are made of whole stretches: with fewer stretches than groups, some would be empty.
        is_long = len(self.over_time) >= N_GROUPS
        with np.errstate(divide="ignore"):
            left_out_db = 10.0 * np.log10(left_out / plain)
        return _Part(
            energy=energy / plain,
            spread=float(_jackknife_error(left_out / plain)) if is_long else math.inf,
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
                slopes[:, stem, at] = np.einsum("bij,bj->bi", self.own[:, stem, stem], responses[:, stem])
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
        in_phase = _energies(self.own[:, stem, stem], self.fit.responses[None, :, stem])[0]
        return float(in_phase @ self.late[:, at])

    def _model_error_db(self, members: Sequence[int], in_phase: NDArray[np.float64]) -> float:
        """What leaving out pieces of the song cannot show, because it is there in all of them.

        Six parts: what the equations leave open, most where stems sound alike and much is unexplained; whose
        the late sound is, which is estimated; how few stretches hold the sound, so that what is unexplained
        in them does not average out; what is unexplained at all, since it may follow the sound itself; how
        far the weighted level lies from that of the energy, as it does where a strip is compressed; and what
        was taken for the bus while the sound was alone or nearly, for there it may have been the strip.
        """
        total = float(in_phase.sum())
        if not total > 0:
            return math.inf
        channels = self._channels(members)
        own = self.own[:, channels[:, None], channels]
        open_to = 0.0
        for responses in self.fit.responses.transpose(2, 0, 1):
            slope = np.zeros_like(responses)
            slope[:, channels] = np.einsum("bij,bj->bi", own, responses[:, channels])
            open_to += self.fit.system.variance(slope)
        residual, energy = self.fit.residual.sum(axis=0), self.fit.energy.sum(axis=0)
        unexplained = residual / np.maximum(energy - residual, 0.05 * energy + 1e-30)
        left = float(residual.sum() / energy.sum())
        over_time = self.over_time[:, list(members)].sum(axis=1)
        stretches = float(over_time.sum() ** 2 / np.sum(over_time**2))
        weighted = float(_energies(own, self.weighted[None, :, channels]).sum())
        before_bus = over_time / self.fit.bus_gain**2
        turned = float(over_time.sum() / before_bus.sum())
        of_all = over_time / np.maximum(self.over_time.sum(axis=1), 1e-30)
        alone = float(before_bus @ of_all / before_bus.sum())
        return DB_A_NEPER * math.hypot(
            OPEN_ERROR * math.sqrt(open_to) / total,
            LATE_ERROR * float(in_phase @ unexplained) / total,
            SHORT_ERROR * math.sqrt(left / stretches),
            RESIDUAL_ERROR * math.sqrt(left),
            WEIGHTED_ERROR * abs(total / weighted - 1.0),
            BUS_ERROR * alone * abs(turned - 1.0),
        )


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


def _jackknife_error(left_out: NDArray[np.float64]) -> NDArray[np.float64]:
    """Standard error from leave-one-out values along the first axis (B. Efron, The Jackknife, chapter 3)."""
    n = len(left_out)
    squares = np.sum((left_out - left_out.mean(axis=0)) ** 2, axis=0)
    return np.asarray(np.sqrt(squares * (n - 1) / n))


def _levels(parts: Sequence[_Part]) -> tuple[StemLevel, ...]:
    audible = [part.energy for part in parts if part.energy > 2.0 * part.spread]
    middle = float(np.median(audible)) if audible else math.inf
    levels = []
    for part in parts:
        if math.isnan(part.energy) or math.isinf(part.spread):
            levels.append(_unknown(0.0))
        elif max(part.energy, 0.0) + 2.0 * part.spread <= middle * 10.0 ** (ABSENT_DB / 10.0):
            levels.append(StemLevel(-math.inf, math.inf, SURE))
        elif part.energy <= 0.0:
            levels.append(_unknown(0.0))
        else:
            levels.append(_level(_decibels(part.energy), part.spread_db, part.model_db))
    return tuple(levels)


def _level(db: float, spread_db: float, model_db: float) -> StemLevel:
    """A level with its bounds and confidence, by Student's t with the jackknife's degrees of freedom."""
    error_db = math.hypot(SPREAD_ERROR * spread_db, model_db, LEAST_ERROR_DB)
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


def _decibels(energy: float) -> float:
    return 10.0 * math.log10(energy) if energy > 0 else -math.inf
