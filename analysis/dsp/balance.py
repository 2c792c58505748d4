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
from scipy.sparse.csgraph import connected_components

from analysis.dsp.crossspectra import CrossSpectra
from analysis.dsp.foreign import WINDOW_S, ForeignSound, foreign_sound
from analysis.dsp.lateenergy import late_energy
from analysis.dsp.moments import Moments
from analysis.dsp.movingfit import fit_moving, own_spectra
from analysis.dsp.stemfit import contributions, fit_stems
from analysis.dsp.stemlevels import (
    Heard,
    Part,
    StemLevel,
    decibels,
    jackknife_error,
    levels_of,
    told_level,
    unknown_level,
)

N_BANDS = 32
# Longer frames take more of a room's answer for part of its stem, and tell two microphones apart by more
# lines; longer still, and the bus moves inside a frame. Of 0.04 to 0.34 the best on simulated mixes.
FRAME_S = 0.17
STRETCH_SPECTRA = 3  # 256 ms at 48 kHz
# What the cross spectra may take; they are copied once for each mix, with the gains in them.
MOST_BYTES = 192 * 2**20
# Bands this far under the loudest do not count in what is explained: they may hold nothing but dither.
SOFTEST_BAND = 1e-5

# Less of a song cannot be left out piece by piece.
SHORTEST_S = 4.2
# Part of what a model does to a stem it does in every mix, and that falls out of a difference. So much of the
# error of two levels is left; measured on the training seeds that `tests.bench.bench_balance` names.
CHANGING_ERROR = 0.82
# Two stems are tied where what the equations leave open of their levels is correlated as much as this, either
# way: then what one gains the other loses, and their sum may be certain. Measured on simulated mixes.
TIED = 0.2


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
    _heard: Heard = field(repr=False)
    _parts: tuple[Part, ...] = field(repr=False)  # one for each stem


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
        n_channels = sum(stem_channels) + sum(mix_channels)
        self._moments = Moments(stems=self._stems, n_channels=n_channels, lot_frames=STRETCH_SPECTRA)
        self._spectra = CrossSpectra(
            rate_hz=rate_hz,
            n_channels=n_channels,
            n_bands=N_BANDS,
            frame_s=FRAME_S,
            stretch_spectra=STRETCH_SPECTRA,
            most_bytes=MOST_BYTES,
            also=self._moments.take,
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
            own = contributions(matrices, fit, self._stems)
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
        a_stretch = self._spectra.stretch_lots
        lots = [slice(at * a_stretch, (at + 1) * a_stretch) for at in range(first, first + len(matrices))]
        return tuple(self._of_one(mix, matrices, n_values, lots) for mix in self._mixes)

    def _of_one(
        self,
        mix: slice,
        matrices: NDArray[np.complex64],
        n_values: NDArray[np.float64],
        lots: Sequence[slice],
    ) -> MixBalance:
        moving = fit_moving(
            matrices,
            self._moments,
            stems=self._stems,
            mix=mix,
            edges=self._spectra.edges,
            n_values=n_values,
            lots=lots,
        )
        fit = moving.fit
        heard = Heard(
            own=own_spectra(matrices, self._stems),
            behind_strips=own_spectra(matrices, self._stems, moving.strips),
            stems=self._stems,
            moving=moving,
            late=late_energy(fit.residual, moving.contributions),
        )
        parts = tuple(heard.part((at,)) for at in range(len(self._stems)))
        energy, residual = fit.energy.sum(axis=0), fit.residual.sum(axis=0)
        counted = energy > SOFTEST_BAND * energy.max(initial=0.0)
        is_silent = not counted.any()
        unexplained = np.full_like(energy, math.nan)
        unexplained[counted] = (residual[counted] / energy[counted]).clip(0.0, 1.0)
        return MixBalance(
            stems=levels_of(parts),
            explained=math.nan if is_silent else float(1.0 - np.mean(unexplained[counted])),
            residual_db=math.nan if is_silent else decibels(float(residual.sum() / energy.sum())),
            bus_gain_db=20.0 * np.log10(moving.common_bus()),
            unexplained=unexplained,
            _heard=heard,
            _parts=parts,
        )


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
        else unknown_level(min(one.confidence, other.confidence))
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
        levels = [told_level(decibels(part.energy), part.spread_db, part.model_db) for part in parts]
        if reference is None:
            group = StemGroup(members, levels[0])
        else:
            difference = unknown_level(0.0) if common is None else _difference(parts[0], parts[1], common)
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
        db=float(np.median([decibels(one.energy) - decibels(other.energy) for one, other in pairs])),
        left_out_db=np.median(left_out_db, axis=0),
    )


def _difference(one: Part, other: Part, common: _Common) -> StemLevel:
    return told_level(
        decibels(one.energy) - decibels(other.energy) - common.db,
        float(jackknife_error(one.left_out_db - other.left_out_db - common.left_out_db)),
        CHANGING_ERROR * math.hypot(one.model_db, other.model_db),
    )


def _joined(links: NDArray[np.bool_]) -> list[tuple[int, ...]]:
    """The places that links join, directly or by way of others; places without a link are in none."""
    number, label = connected_components(links, directed=False)
    groups = [tuple(np.flatnonzero(label == at).tolist()) for at in range(number)]
    return [members for members in groups if len(members) > 1]


def _slices(counts: Sequence[int], *, start: int) -> tuple[slice, ...]:
    ends = start + np.cumsum(counts)
    return tuple(slice(int(end) - count, int(end)) for end, count in zip(ends, counts, strict=True))
