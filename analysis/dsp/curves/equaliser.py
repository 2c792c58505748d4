"""What an equaliser's bands and filters do to each frequency.

Shapes are the analogue prototypes of the Audio EQ Cookbook (R. Bristow-Johnson, W3C Working Group Note
of 8 June 2021). Analogue equipment has them as they are. Sampled, each is bent by the bilinear transform
so that it ends at half the rate: the trap is to draw hardware that way, for a lift near the top of the
hearing range then looks narrower than it is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.curves.errors import CurveError
from analysis.dsp.errors import require_rate

Frequencies = NDArray[np.float64]
Response = NDArray[np.complex128]

BUTTERWORTH_Q = math.sqrt(0.5)
DB_PER_OCTAVE_PER_ORDER = 6  # as engineers say it; exactly 20 lg 2 = 6.02
LARGEST_GAIN_DB = 120.0  # far beyond any equaliser; no source
MOST_STEPS, READ_WITHIN_DB = 60, 1e-9  # of `shelf_reading`
HIGHEST_ORDER = 16  # 96 dB/octave, the steepest that is asked for in practice; no source


class Shape(Enum):
    """The shapes of a band."""

    BELL = "bell"
    LOW_SHELF = "low shelf"
    HIGH_SHELF = "high shelf"
    HIGH_PASS = "high-pass"  # noqa: S105  a filter, not a pass phrase
    LOW_PASS = "low-pass"  # noqa: S105
    BAND_PASS = "band-pass"  # noqa: S105
    NOTCH = "notch"


SHELVES = {Shape.LOW_SHELF, Shape.HIGH_SHELF}
PASSES = {Shape.HIGH_PASS, Shape.LOW_PASS}


@dataclass(frozen=True)
class Band:
    """One band or filter. `gain_db` counts for the bell and the shelves, `order` for high- and low-pass.

    A high- or low-pass of order two takes `q`, which makes a Butterworth of the default; of any other order
    it is a Butterworth and `q` does not count.
    """

    shape: Shape
    frequency_hz: float
    gain_db: float = 0.0
    q: float = BUTTERWORTH_Q
    order: int = 2

    def __post_init__(self) -> None:
        if not (math.isfinite(self.frequency_hz) and self.frequency_hz > 0):
            raise CurveError("a band needs a frequency above 0 Hz")
        if not (math.isfinite(self.q) and self.q > 0):
            raise CurveError("a Q has to be above 0")
        _require_gain(self.gain_db)
        if not 1 <= self.order <= HIGHEST_ORDER:
            raise CurveError(f"a filter has an order from 1 to {HIGHEST_ORDER}")


def analogue_response(bands: Iterable[Band], frequency_hz: Frequencies) -> Response:
    """The complex gain of bands in a row as analogue equipment has them; shape as `frequency_hz`.

    No bands give ones. Cookbook, prototypes H(s) at s = j f / f0.
    """
    total = np.ones(frequency_hz.shape, dtype=np.complex128)
    for band in bands:
        total *= _prototype(band, np.asarray(1j * frequency_hz / band.frequency_hz, dtype=np.complex128))
    return total


def sampled_response(bands: Iterable[Band], frequency_hz: Frequencies, *, rate_hz: int) -> Response:
    """The complex gain of bands in a row made by the cookbook's bilinear formulas at a rate; shape as given.

    No bands give ones; above half the rate there is nothing, so that reads nan. Raises CurveError for a
    band at or above half the rate, RateError for a rate that audio is not kept at.

    The cookbook ties both planes together at f0: s = j tan(pi f / rate) / tan(pi f0 / rate).
    """
    require_rate(rate_hz)
    below = frequency_hz < rate_hz / 2
    bent: Frequencies = np.tan(np.pi * frequency_hz[below] / rate_hz)
    total = np.full(frequency_hz.shape, np.nan, dtype=np.complex128)
    total[below] = 1.0
    for band in bands:
        if band.frequency_hz >= rate_hz / 2:
            raise CurveError(
                f"at {rate_hz:,} Hz a sampled {band.shape.value} ends at {rate_hz / 2:,.0f} Hz; "
                f"{band.frequency_hz:,.0f} Hz is beyond it"
            )
        s = 1j * bent / math.tan(math.pi * band.frequency_hz / rate_hz)
        total[below] *= _prototype(band, np.asarray(s, dtype=np.complex128))
    return total


def level_db(response: Response) -> NDArray[np.float64]:
    """A complex gain in dB, shape as given. The bottom of a notch is -inf; what is nan stays nan."""
    with np.errstate(divide="ignore"):
        level: NDArray[np.float64] = 20.0 * np.log10(np.abs(response))
    return level


def q_of_octaves(octaves: float) -> float:
    """The Q of a bandwidth in octaves: between the half-gain points of a bell (in dB), the -3 dB points else.

    Cookbook, analogue form: 1 / Q = 2 sinh(ln 2 / 2 * BW). Raises CurveError unless above 0.
    """
    if not 0 < octaves <= 20:
        raise CurveError("a bandwidth has to be above 0 octaves, and 20 at most")
    return 1.0 / (2.0 * math.sinh(math.log(2) / 2 * octaves))


def sampled_q_of_octaves(octaves: float, frequency_hz: float, *, rate_hz: int) -> float:
    """The Q that keeps a bandwidth in octaves when the band is sampled.

    Cookbook, digital form: 1 / Q = 2 sinh(ln 2 / 2 * BW * w0 / sin w0). Raises CurveError for a bandwidth
    not above 0, or a frequency at or above half the rate.
    """
    if not 0 < frequency_hz < rate_hz / 2:
        raise CurveError(f"{frequency_hz:,.0f} Hz does not fit below half of {rate_hz:,} Hz")
    w0 = 2 * math.pi * frequency_hz / rate_hz
    return q_of_octaves(octaves * w0 / math.sin(w0))


def q_of_shelf_slope(slope: float, gain_db: float) -> float:
    """The Q of a shelf's slope S: 1 is as steep as it gets without overshoot.

    Cookbook: 1 / Q = sqrt((A + 1 / A) (1 / S - 1) + 2). Raises CurveError where there is none.
    """
    _require_gain(gain_db)
    a = 10.0 ** (gain_db / 40.0)
    if slope <= 0:
        raise CurveError("a shelf's slope has to be above 0; 1 is the steepest without overshoot")
    square = (a + 1 / a) * (1 / slope - 1) + 2
    if square <= 0:
        raise CurveError(f"a shelf's slope of {slope:g} is steeper than any shelf of that gain")
    return 1.0 / math.sqrt(square)


def order_of_slope(db_per_octave: float) -> int:
    """The order of a filter that falls by 6, 12, 18 … dB an octave. Raises CurveError for what is between."""
    order = round(db_per_octave / DB_PER_OCTAVE_PER_ORDER)
    if not math.isclose(order * DB_PER_OCTAVE_PER_ORDER, db_per_octave) or not 1 <= order <= HIGHEST_ORDER:
        raise CurveError(
            f"filters fall by 6, 12, 18 … to {HIGHEST_ORDER * DB_PER_OCTAVE_PER_ORDER} dB an octave, "
            f"not by {db_per_octave:g}"
        )
    return order


def shelf_reading(
    shape: Shape,
    frequency_hz: float,
    gain_db: float,
    q: float = BUTTERWORTH_Q,
    *,
    rate_hz: int | None = None,
) -> Band:
    """The shelf that reads `gain_db` at `frequency_hz`, its corner an octave on the near side of it.

    Analogue without `rate_hz`, else as `sampled_response` has it at that rate.

    A shelf's corner is where half its gain is reached, but an engineer who says "1 dB at 22 kHz" means what
    is read there. That the corner is an octave away is our own choice: it leaves the level 6 % of the gain
    to go. Solved by repetition, and refused where that finds none: a steep shelf overshoots near its corner,
    and may read there whatever its plateau is. Raises CurveError for that, for another shape, and for what
    lies beyond half the rate.
    """
    if shape not in SHELVES:
        raise CurveError("only a shelf has a corner beside the frequency at which it is read")
    _require_gain(gain_db)
    if rate_hz is not None and frequency_hz >= rate_hz / 2:
        raise CurveError(f"at {rate_hz:,} Hz nothing is there to be read at {frequency_hz:,.0f} Hz")
    corner_hz = frequency_hz / 2 if shape is Shape.HIGH_SHELF else frequency_hz * 2
    at = np.array([frequency_hz])
    band = Band(shape, corner_hz, gain_db, q)
    for _ in range(MOST_STEPS):  # each takes away half of what is missing, or more
        response = (
            analogue_response([band], at)
            if rate_hz is None
            else sampled_response([band], at, rate_hz=rate_hz)
        )
        missing_db = gain_db - float(level_db(response)[0])
        if abs(missing_db) <= READ_WITHIN_DB:
            return band
        plateau_db = band.gain_db + missing_db
        if abs(plateau_db) > LARGEST_GAIN_DB:
            break
        band = Band(shape, corner_hz, plateau_db, q)
    raise CurveError(
        f"no {shape.value} with a Q of {q:.3g} and its corner at {corner_hz:,.0f} Hz reads {gain_db:g} dB at "
        f"{frequency_hz:,.0f} Hz; say it by its own corner and gain"
    )


def _require_gain(gain_db: float) -> None:
    if not abs(gain_db) <= LARGEST_GAIN_DB:
        raise CurveError(f"a band needs a gain in dB, within {LARGEST_GAIN_DB:g} dB")


def _prototype(band: Band, s: Response) -> Response:
    """H(s) of a band, its frequency at |s| = 1."""
    shape, q = band.shape, band.q
    if shape in PASSES:
        return _butterworth(band, s)
    a = 10.0 ** (band.gain_db / 40.0)
    root = math.sqrt(a) / q
    above, below = {
        Shape.BAND_PASS: (s / q, s**2 + s / q + 1),  # 0 dB at its middle
        Shape.NOTCH: (s**2 + 1, s**2 + s / q + 1),
        Shape.BELL: (s**2 + s * (a / q) + 1, s**2 + s / (a * q) + 1),
        Shape.LOW_SHELF: (a * (s**2 + root * s + a), a * s**2 + root * s + 1),
        Shape.HIGH_SHELF: (a * (a * s**2 + root * s + 1), s**2 + root * s + a),
    }[shape]
    found: Response = above / below
    return found


def _butterworth(band: Band, s: Response) -> Response:
    """High- or low-pass: second-order sections of Q = 1 / (2 cos theta), and one of first order if odd.

    S. Butterworth, "On the theory of filter amplifiers" (1930); poles as in any textbook. Of order two the
    band's own Q takes the place of the Butterworth's.
    """
    through = s if band.shape is Shape.HIGH_PASS else np.ones_like(s)
    total = np.ones_like(s)
    if band.order == 2:
        return through**2 / (s**2 + s / band.q + 1)
    for pair in range(band.order // 2):
        theta = math.pi * (2 * pair + 1 + band.order % 2) / (2 * band.order)
        total *= through**2 / (s**2 + 2 * math.cos(theta) * s + 1)
    if band.order % 2:
        total *= through / (s + 1)
    return total
