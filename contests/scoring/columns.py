"""Columns of a table: names as numbers, where many thousands of rows are about few different names."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from contests.scoring.ties import Floats, Indices


@dataclass(frozen=True, eq=False)
class NameColumn:
    """Names row by row. `names` are sorted, each used at least once; `number` (n_rows,) counts into them."""

    names: tuple[str, ...]
    number: Indices

    @classmethod
    def of(cls, rows: Sequence[str]) -> Self:
        """From the name in each row. Empty in, empty out."""
        names = tuple(sorted(set(rows)))
        number_of = {name: number for number, name in enumerate(names)}
        return cls(names, np.fromiter(map(number_of.__getitem__, rows), np.intp, len(rows)))

    @classmethod
    def of_keys(cls, keys: Indices, name_of: Callable[[int], str] = str) -> Self:
        """From a whole number in each row, shape (n_rows,); each different one is named once."""
        different, number = np.unique(keys, return_inverse=True)
        return cls._in_order([name_of(key) for key in different.tolist()], number)

    @classmethod
    def joined(cls, columns: Sequence[Self]) -> Self:
        """One column under the other; at least one."""
        first_name = np.cumsum([0, *(len(column.names) for column in columns[:-1])])
        return cls._in_order(
            [name for column in columns for name in column.names],
            np.concatenate(
                [column.number + first for column, first in zip(columns, first_name, strict=True)]
            ),
        )

    def rows(self, chosen: NDArray[np.bool_]) -> Self:
        """The rows where `chosen` (n_rows,) is true, with the names that are left in them."""
        return self._in_order(self.names, self.number[chosen])

    def each(self, times: int) -> Self:
        """Every row so many times, one after the other."""
        return replace(self, number=np.repeat(self.number, times))

    def all(self, times: int) -> Self:
        """All rows so many times, one lot after the other."""
        return replace(self, number=np.tile(self.number, times))

    @classmethod
    def _in_order(cls, names: Sequence[str], number: Indices) -> Self:
        """The column whose rows are `names` by their `number`; names may be doubled, unused, and unsorted."""
        used = np.flatnonzero(np.bincount(number, minlength=len(names)))
        own = [names[at] for at in used.tolist()]
        in_order = tuple(sorted(set(own)))
        number_of = {name: at for at, name in enumerate(in_order)}
        new_number = np.zeros(len(names), dtype=np.intp)
        new_number[used] = [number_of[name] for name in own]
        return cls(in_order, new_number[number])


def values_or_none(values: Floats | None, count: int) -> list[float | None]:
    """The values (count,) as plain numbers, or `count` times None where they do not exist."""
    return [None] * count if values is None else values.tolist()
