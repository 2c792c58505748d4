"""Judge severity: what each entry would score before the average judge."""

import dataclasses
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import linalg
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from contests.scoring.ties import TIE_TOLERANCE, Floats, Indices


@dataclass(frozen=True)
class Hearings:
    """Which judge gave which entry what: one row a pair, hidden repeats already averaged.

    `entry_index` and `judge_index` have shape (n_hearings,) and count from 0; `total` has the same shape and
    is on the scale of the scores. Every entry and every judge has at least one hearing.
    """

    entry_index: Indices
    judge_index: Indices
    total: Floats
    n_entries: int
    n_judges: int

    def __post_init__(self) -> None:
        if not self.entry_index.shape == self.judge_index.shape == self.total.shape or self.total.ndim != 1:
            raise ValueError("entry_index, judge_index and total must have the one shape (n_hearings,)")
        if not np.isfinite(self.total).all():
            raise ValueError("every total must be a finite number")
        pairs = self.entry_index * self.n_judges + self.judge_index
        if np.unique(pairs).size != pairs.size:
            raise ValueError("a judge counts once an entry: average the repeats first")
        if self.hearings_of_entry.min(initial=1) < 1 or self.hearings_of_judge.min(initial=1) < 1:
            raise ValueError("every entry and every judge needs at least one hearing")

    @property
    def hearings_of_entry(self) -> Indices:
        """Number of judges who heard each entry, shape (n_entries,)."""
        return np.bincount(self.entry_index, minlength=self.n_entries)

    @property
    def hearings_of_judge(self) -> Indices:
        """Number of entries each judge heard, shape (n_judges,)."""
        return np.bincount(self.judge_index, minlength=self.n_judges)

    def mean_of_entry(self, values: Floats) -> Floats:
        """Mean of `values` (n_hearings,) over each entry's judges, shape (n_entries,)."""
        sums = np.bincount(self.entry_index, weights=values, minlength=self.n_entries)
        return np.asarray(sums / self.hearings_of_entry, dtype=np.float64)

    def heard(self) -> Floats:
        """1.0 where the judge heard the entry and 0.0 elsewhere, shape (n_entries, n_judges)."""
        heard = np.zeros((self.n_entries, self.n_judges))
        heard[self.entry_index, self.judge_index] = 1.0
        return heard

    def grid(self, values: Floats) -> Floats:
        """`values` (n_hearings,) laid out as (n_entries, n_judges), NaN where nobody listened."""
        grid = np.full((self.n_entries, self.n_judges), np.nan)
        grid[self.entry_index, self.judge_index] = values
        return grid


@dataclass(frozen=True)
class SeverityFit:
    """The additive model `total = entry + judge`, fitted.

    `adjusted` (n_entries,) is on the scale of the average judge. `judge_effect` (n_judges,) is what a judge
    adds, so a severe judge's is negative; it sums to 0 within every component. `residual_sd` is None where no
    degree of freedom is left to estimate it: then no standard error exists.

    Two factors carry the covariance for a residual variance of 1, so that a field of thousands needs no
    square matrix of its own: `judge_root` (n_judges, n_judges), whose product with its transpose is C⁺, and
    `through_judges` T (n_entries, n_judges), what the judges' errors do to each entry. The covariance of
    `adjusted` is `K⁻¹ + K⁻¹N C⁺ NᵀK⁻¹` = K⁻¹ + TTᵀ, K holding `hearings_of_entry`. Entries of different
    components share no scale, and their covariance is 0 by construction, not by measurement.
    """

    adjusted: Floats
    judge_effect: Floats
    residual: Floats
    component_of_entry: Indices
    component_of_judge: Indices
    components: int
    degrees_of_freedom: int
    residual_sd: float | None
    hearings_of_entry: Indices
    judge_root: Floats
    through_judges: Floats

    @property
    def connected(self) -> bool:
        """True when common entries link all judges, so that one scale exists."""
        return self.components == 1

    @property
    def has_spread(self) -> bool:
        """False when no residual is left, or only rounding: every difference is then either 0 or certain."""
        return self.residual_sd is not None and self.residual_sd > TIE_TOLERANCE

    def of_entries(self, numbers: Indices) -> "SeverityFit":
        """The same fit seen for some entries only, in the order of `numbers`: nothing is fitted anew.

        Judges, residuals and degrees of freedom stay those of all hearings.
        """
        return dataclasses.replace(
            self,
            adjusted=self.adjusted[numbers],
            component_of_entry=self.component_of_entry[numbers],
            hearings_of_entry=self.hearings_of_entry[numbers],
            through_judges=self.through_judges[numbers],
        )

    @cached_property
    def unit_variance(self) -> Floats:
        """Variance of each of `adjusted` for a residual variance of 1, shape (n_entries,)."""
        return np.asarray(1.0 / self.hearings_of_entry + np.square(self.through_judges).sum(axis=1))

    def standard_error(self) -> Floats | None:
        """Standard error of each adjusted score (n_entries,), or None without a degree of freedom."""
        if self.residual_sd is None:
            return None
        return np.asarray(self.residual_sd * np.sqrt(self.unit_variance))

    def standard_error_of_effect(self) -> Floats | None:
        """Standard error of each judge effect (n_judges,), or None without a degree of freedom."""
        if self.residual_sd is None:
            return None
        return np.asarray(self.residual_sd * np.sqrt(np.square(self.judge_root).sum(axis=1)))

    def unit_difference_sd(self, entry: int) -> Floats:
        """Standard deviation of each entry's difference to `entry`, for a residual variance of 1.

        Shape (n_entries,), 0 for the entry itself. From the whole covariance: entries with common judges
        share those judges' errors, and the root of their own summed squares would be wrong.
        """
        # One product for all covariances. No digit that matters is lost: of the entries' own variances 1/k
        # no covariance takes anything away.
        covariance = self.through_judges @ self.through_judges[entry]
        variance = self.unit_variance + self.unit_variance[entry] - 2.0 * covariance
        variance[entry] = 0.0
        return np.asarray(np.sqrt(variance))


def fit_severity(hearings: Hearings) -> SeverityFit:
    """Fit `total = entry + judge` by least squares, the judges' effects summing to 0 in each component.

    Parameters
    ----------
    hearings : Hearings
        At least one hearing; any pattern of missing pairs.

    Returns
    -------
    SeverityFit
        In a complete design the adjusted scores are the raw means. A judge with one hearing changes nothing.
        Separate components are fitted side by side and flagged: their adjusted scores must not be compared.

    Raises
    ------
    ValueError
        There is no hearing.

    Notes
    -----
    Intra-block analysis of an incomplete block design, entries as treatments and judges as blocks
    (Montgomery, Design and Analysis of Experiments, balanced incomplete blocks; the general form is that of
    any two-way layout with missing cells). The entries are eliminated first: `C b = Q` with
    `C = diag(r) − NᵀK⁻¹N`, so the cost grows with the hearings and with judges³. The trap: C is singular,
    once for each component, and a pseudo-inverse that takes the zero eigenvalue for a small real one gives
    absurd standard errors. The constraint is therefore added to C before it is inverted.
    """
    if hearings.total.size == 0:
        raise ValueError("there is no hearing to fit")
    component_of_entry, component_of_judge, components = _components(hearings)
    hearings_of_entry = hearings.hearings_of_entry
    heard = hearings.heard()
    share = heard / hearings_of_entry[:, np.newaxis]  # K⁻¹N
    reduced = reduced_judge_matrix(heard)

    # Centring costs nothing in exact arithmetic and keeps digits when scores sit far from 0.
    centre = float(hearings.total.mean())
    total = hearings.total - centre
    entry_mean = hearings.mean_of_entry(total)
    judge_sum = np.bincount(hearings.judge_index, weights=total, minlength=hearings.n_judges)
    right_hand = judge_sum - heard.T @ entry_mean  # Q

    members = (component_of_judge[:, np.newaxis] == np.arange(components)).astype(np.float64)
    members /= np.sqrt(members.sum(axis=0))  # orthonormal: the null space of C
    constrained = reduced + members @ members.T
    values, vectors = linalg.eigh(constrained)
    judge_effect = vectors @ ((vectors.T @ right_hand) / values)
    # C⁺ = (C + UUᵀ)⁻¹ − UUᵀ; multiplying the root by the projector takes UUᵀ out again.
    root = vectors / np.sqrt(values)
    judge_root = root - members @ (members.T @ root)

    adjusted = entry_mean - share @ judge_effect
    residual = total - adjusted[hearings.entry_index] - judge_effect[hearings.judge_index]
    freedom = hearings.total.size - hearings.n_entries - hearings.n_judges + components
    return SeverityFit(
        adjusted=adjusted + centre,
        judge_effect=judge_effect,
        residual=residual,
        component_of_entry=component_of_entry,
        component_of_judge=component_of_judge,
        components=components,
        degrees_of_freedom=freedom,
        residual_sd=float(np.sqrt(np.square(residual).sum() / freedom)) if freedom > 0 else None,
        hearings_of_entry=hearings_of_entry,
        judge_root=judge_root,
        through_judges=share @ judge_root,
    )


def reduced_judge_matrix(heard: Floats) -> Floats:
    """`C = diag(r) − NᵀK⁻¹N` of a pattern of hearings `heard` (n_entries, n_judges) of 0 and 1.

    Shape (n_judges, n_judges). It has one zero eigenvalue for each component of the design.
    """
    hearings_of_entry = heard.sum(axis=1)
    return np.asarray(np.diag(heard.sum(axis=0)) - heard.T @ (heard / hearings_of_entry[:, np.newaxis]))


def _components(hearings: Hearings) -> tuple[Indices, Indices, int]:
    """Component of each entry, of each judge, and their number; numbered by the first entry in each."""
    n_nodes = hearings.n_entries + hearings.n_judges
    links = coo_array(
        (
            np.ones(hearings.total.size, dtype=np.int8),
            (hearings.entry_index, hearings.n_entries + hearings.judge_index),
        ),
        shape=(n_nodes, n_nodes),
    )
    count, label = connected_components(links, directed=False)
    component: Indices = np.array(label, dtype=np.intp)
    return component[: hearings.n_entries], component[hearings.n_entries :], int(count)
