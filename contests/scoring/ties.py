"""When two scores are the same score. Everything here that ranks, asks this page."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

# Arithmetic leaves about 1e-12 on any scale of scores, and no sheet carries a real difference as small as
# this. What a page rounds for display never decides. Common practice, no source.
TIE_TOLERANCE = 1e-9


def tie_groups(values: Floats) -> Indices:
    """Number the distinct values from the highest (0) down, shape as `values` (n,).

    A value within the tolerance of the highest of its group belongs to that group. Empty in, empty out.
    """
    group = np.zeros(values.shape, dtype=np.intp)
    current, top = -1, np.inf
    for position in np.argsort(-values, kind="stable"):
        if current < 0 or top - values[position] > TIE_TOLERANCE:
            current, top = current + 1, values[position]
        group[position] = current
    return group


def places(values: Floats) -> Indices:
    """Place of each value, the highest first, shape (n,). Equals share the best place: 1, 2, 2, 4."""
    group = tie_groups(values)
    ahead = np.concatenate([[0], np.cumsum(np.bincount(group, minlength=1))])
    return np.asarray(1 + ahead[group], dtype=np.intp)
