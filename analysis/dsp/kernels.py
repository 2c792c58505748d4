"""Loops over samples, made into machine code when they first run.

Nothing is compiled, and numba is not even imported, until a kernel is called: a page that never measures
never waits for it. What was compiled is kept beside the source, or in the user's cache folder, for the next
process; where neither can be written, each process compiles for itself.

Three traps. A kernel that is kept knows only its own source file: it must call no kernel of another file, nor
read another file's constants, or it goes on with what they were. An index that is computed may be negative
for all the compiler knows, which keeps a loop from running on several samples at once: cut a slice, then
count. And count by index: `for sample in part` runs on one at a time, too.
"""

import functools
from collections.abc import Callable
from typing import Any, ParamSpec, TypeVar, cast

Arguments = ParamSpec("Arguments")
Result = TypeVar("Result")

# Leaves to the compiler: several products in one rounding.
FUSED = frozenset({"contract"})
# The same, and sums in any order; numbers that are not finite stay what they are.
ANY_ORDER = frozenset({"contract", "reassoc", "nsz"})

# All bits of a float64 but its sign (IEEE 754, so no kept kernel can be wrong about it). Read as a whole
# number, they stand in the order of the magnitudes. The compiler looks for the largest of several whole
# numbers at once; of floats it goes one by one, whatever freedom it is given, and takes seven times as long.
MAGNITUDE = 0x7FFF_FFFF_FFFF_FFFF


def kernel(
    *, freedom: frozenset[str] = frozenset()
) -> Callable[[Callable[Arguments, Result]], Callable[Arguments, Result]]:
    """Compile a function of arrays and numbers at its first call, with this `freedom` in its arithmetic."""

    def wrap(function: Callable[Arguments, Result]) -> Callable[Arguments, Result]:
        compiled: Callable[Arguments, Result] | None = None

        @functools.wraps(function)
        def run(*args: Arguments.args, **kwargs: Arguments.kwargs) -> Result:
            nonlocal compiled
            if compiled is None:
                compiled = _compiled(function, freedom)
            return compiled(*args, **kwargs)

        return run

    return wrap


def _compiled(function: Callable[Arguments, Result], freedom: frozenset[str]) -> Callable[Arguments, Result]:
    from numba import njit  # half a second: only for those who measure

    options: dict[str, Any] = {"nogil": True, "error_model": "numpy", "fastmath": set(freedom)}
    try:
        made = njit(cache=True, **options)(function)
    except RuntimeError:  # no folder that the cache could be kept in
        made = njit(**options)(function)
    return cast(Callable[Arguments, Result], made)
