"""What a standing should say of one round, worked out from the totals and by none of the site's code."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.stats import t as t_distribution


@dataclass(frozen=True)
class Fit:
    """Least squares by mix and judge: what the standing should say, from what was typed."""

    receipts: Mapping[str, str]
    raw: Mapping[str, float]
    adjusted: Mapping[str, float]
    error: Mapping[str, float]
    severity: Mapping[str, float]
    behind_first: Mapping[str, tuple[float, float]]  # difference to the first, and what 95 % of luck reach

    def place(self, mix: str) -> int:
        """Equals would share theirs."""
        return 1 + sum(value > self.adjusted[mix] + 1e-9 for value in self.adjusted.values())


def by_least_squares(given: Mapping[tuple[str, str], tuple[float, str]]) -> Fit:
    """Fit total = mix + judge, the judges' effects summing to 0, by the bordered normal equations.

    Restricted least squares as in any text on linear models (for instance Searle, Linear Models, 1971,
    section 5.6, from memory): the inverse of the bordered matrix holds the covariance of the estimates.
    """
    mixes = sorted({mix for mix, _ in given})
    judges = sorted({judge for _, judge in given})
    names = [*mixes, *judges]
    design = np.array([[name in pair for name in names] for pair in given], float)
    total = np.array([value for value, _ in given.values()])
    border = np.array([[name in judges for name in names]], float)
    bordered = np.block([[design.T @ design, border.T], [border, np.zeros((1, 1))]])
    inverse = np.linalg.inv(bordered)[: len(names), : len(names)]
    effect = inverse @ design.T @ total
    freedom = len(total) - len(names) + 1
    variance = np.square(total - design @ effect).sum() / freedom
    covariance = variance * inverse
    adjusted = dict(zip(mixes, effect, strict=False))
    first = mixes.index(max(adjusted, key=adjusted.__getitem__))
    spread = np.diag(covariance) + covariance[first, first] - 2 * covariance[first]
    reach = t_distribution.ppf(0.975, freedom) * np.sqrt(np.maximum(spread, 0.0))
    return Fit(
        receipts={receipt: mix for (mix, _), (_, receipt) in given.items()},
        raw={
            mix: float(np.mean([value for (m, _), (value, _) in given.items() if m == mix])) for mix in mixes
        },
        adjusted=adjusted,
        error=dict(zip(mixes, np.sqrt(np.diag(covariance)), strict=False)),
        severity={judge: -effect[names.index(judge)] for judge in judges},
        behind_first={mix: (effect[first] - effect[at], reach[at]) for at, mix in enumerate(mixes)},
    )
