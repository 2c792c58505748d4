"""What a device's settings imply: numbers for the curves of `analysis.dsp.curves`, as far as they have units.

A knob without a unit implies no curve, so nothing is guessed from it. Where a usual value is taken for one
that is not noted, a note says so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from academy.recall.chain import (
    Device,
    EqBand,
    Kind,
    Nature,
    Path,
    Quantity,
    Setting,
    Side,
    sides_of,
)
from academy.recall.numbers import hertz
from academy.recall.vocabulary import (
    EXPANSION,
    GAINED,
    MAKE_UP_NAMES,
    RANGE_NAMES,
    RATIO,
    REDUCTION_NAMES,
    SIDE_CHAIN_NAMES,
)
from academy.recall.writing import write_value
from analysis.dsp.curves.dynamics import Compression, Expansion
from analysis.dsp.curves.equaliser import (
    BUTTERWORTH_Q,
    PASSES,
    SHELVES,
    Band,
    Shape,
    analogue_response,
    level_db,
    order_of_slope,
    q_of_octaves,
    q_of_shelf_slope,
    sampled_q_of_octaves,
    sampled_response,
    shelf_reading,
)
from analysis.dsp.curves.errors import CurveError

LOWEST_HZ, HIGHEST_HZ, N_FREQUENCIES = 10.0, 40_000.0, 241
DECIBELS = {"dB", "dBFS", "dBTP", "dBu", "dBV", "LUFS"}
SECONDS = {"s": 1.0, "ms": 1e-3, "µs": 1e-6}

Curve = NDArray[np.float64]


@dataclass(frozen=True)
class Filtering:
    """The level of each frequency behind some bands, a curve a channel, in dB over `frequencies_hz()`."""

    curves: dict[Side, Curve]
    notes: list[str]

    def curve_for(self, side: Side) -> Curve:
        """The curve of a channel, which may be both channels' one."""
        return self.curves[side] if side in self.curves else self.curves[Side.BOTH]


@dataclass(frozen=True)
class Levels:
    """What a dynamics device does, a channel each. `is_relative`: no threshold is noted, so it is at 0 dB.

    `marks_db` are reductions that the sheet names, for the channels that it names them for.
    """

    settings: dict[Side, Compression | Expansion]
    unit: str
    is_relative: bool
    marks_db: dict[Side, list[float]]
    notes: list[str]


@dataclass(frozen=True)
class Timing:
    """Attack and release in seconds, a channel each."""

    times_s: dict[Side, tuple[float, float]]


@dataclass
class _Notes:
    """Sentences about what was taken or left out, each once."""

    said: list[str] = field(default_factory=list)

    def add(self, sentence: str) -> None:
        if sentence not in self.said:
            self.said.append(sentence)


def frequencies_hz() -> Curve:
    """Where responses are read, shape (N_FREQUENCIES,): even steps of an octave scale."""
    return np.geomspace(LOWEST_HZ, HIGHEST_HZ, N_FREQUENCIES)


def response_of(device: Device, *, rate_hz: int, at_hz: Curve | None = None) -> Filtering | None:
    """What a device's own bands do to what passes it; None where it has none that can be drawn.

    A de-esser's bands are what it listens to, so it has no response of its own.
    """
    if device.kind is Kind.DE_ESSER:
        return None
    return _filtering(device, _bands(device, in_side_chain=False), rate_hz, at_hz)


def side_chain_of(device: Device, *, rate_hz: int, at_hz: Curve | None = None) -> Filtering | None:
    """What a device listens through: its side-chain bands, and equalisers inserted there; None without."""
    own = _bands(device, in_side_chain=True)
    if device.kind is Kind.DE_ESSER:
        own += [*_bands(device, in_side_chain=False), *_listened_range(device)]
    parts = [_filtering(device, own, rate_hz, at_hz)]
    for insert in device.inserts:
        if insert.path is Path.SIDE_CHAIN:
            parts += [
                response_of(inner, rate_hz=rate_hz, at_hz=at_hz)
                for inner in insert.devices
                if not inner.is_bypassed
            ]
    return added(part for part in parts if part)


def total_of(devices: Iterable[Device], *, rate_hz: int, at_hz: Curve | None = None) -> Filtering | None:
    """All responses of a chain in a row added up, in dB; what is bypassed or nested does not count."""
    found = (
        response_of(device, rate_hz=rate_hz, at_hz=at_hz) for device in devices if not device.is_bypassed
    )
    return added(part for part in found if part)


def added(parts: Iterable[Filtering]) -> Filtering | None:
    """Responses in a row: in dB they add up. Left/right and mid/side together are no one curve: None."""
    found = list(parts)
    if not found:
        return None
    told = {side for part in found for side in part.curves} - {Side.BOTH}
    if len(told) > 2 or (told and not (told <= {Side.LEFT, Side.RIGHT} or told <= {Side.MID, Side.SIDE})):
        return None
    sides = [side for side in Side if side in told] or [Side.BOTH]
    curves = {side: np.sum([part.curve_for(side) for part in found], axis=0) for side in sides}
    notes = list(dict.fromkeys(note for part in found for note in part.notes))
    return Filtering(curves, notes)


def levels_of(device: Device) -> Levels | None:
    """What a compressor, limiter, gate or de-esser does to levels; None where its settings imply no curve."""
    if device.kind not in {Kind.COMPRESSOR, Kind.LIMITER, Kind.GATE, Kind.DE_ESSER}:
        return None
    notes = _Notes()
    settings: dict[Side, Compression | Expansion] = {}
    marks_db: dict[Side, list[float]] = {}
    units = []
    for side in sides_of(device.settings):
        threshold = _quantity(device, ("threshold", "ceiling"), side)
        if threshold is None or threshold.unit not in DECIBELS or threshold.up_to is not None:
            threshold = Quantity(0.0, "")
        units.append(threshold.unit)
        try:
            found = _one_side(device, side, threshold.amount, notes)
        except CurveError:
            return None
        if found is None:
            return None
        settings[side] = found
        reduction = _quantity(device, REDUCTION_NAMES, side)
        if reduction and reduction.unit == "dB":
            ends = (reduction.amount, reduction.up_to or 0.0)
            marks = [abs(end) for end in ends if end and math.isfinite(end)]
            if marks:
                marks_db[side] = marks
    if len(set(units)) > 1:
        return None
    is_relative = not units[0]
    if is_relative:
        notes.add("No threshold in dB is noted, so levels are counted from it.")
    if len(set(settings.values())) == 1:
        settings = {Side.BOTH: next(iter(settings.values()))}
    return Levels(settings, units[0] or "dB", is_relative, marks_db, notes.said)


def timing_of(device: Device) -> Timing | None:
    """Attack and release of a device, where both are times; None otherwise."""
    times_s = {}
    for side in sides_of(device.settings):
        attack, release = (_seconds(_quantity(device, (name,), side)) for name in ("attack", "release"))
        if attack is None or release is None or min(attack, release) <= 0:
            return None
        times_s[side] = (attack, release)
    if len(set(times_s.values())) == 1:
        times_s = {Side.BOTH: next(iter(times_s.values()))}
    return Timing(times_s)


def _one_side(
    device: Device, side: Side, threshold_db: float, notes: _Notes
) -> Compression | Expansion | None:
    ratio = _quantity(device, ("ratio",), side)
    knee = _quantity(device, ("knee",), side)
    make_up = _quantity(device, MAKE_UP_NAMES, side)
    knee_db = knee.amount if knee and knee.unit == "dB" else 0.0
    make_up_db = make_up.amount if make_up and make_up.unit == "dB" else 0.0
    if not knee_db:
        notes.add("No knee in dB is noted: drawn with a hard one.")
    if device.kind is Kind.GATE:
        range_db = _quantity(device, RANGE_NAMES, side)
        lowered_db = abs(range_db.amount) if range_db and range_db.unit == "dB" else math.inf
        if ratio is None and math.isinf(lowered_db):
            return None
        amount = ratio.amount if ratio and ratio.unit in {RATIO, EXPANSION} else math.inf
        return Expansion(threshold_db, amount, lowered_db, 0.0 if math.isinf(amount) else knee_db, make_up_db)
    if device.kind is Kind.LIMITER and ratio is None:
        if _quantity(device, ("threshold", "ceiling"), side) is None:
            return None
        notes.add("A limiter without a ratio is drawn as one that lets nothing above.")
        return Compression(threshold_db, math.inf, knee_db, make_up_db)
    if ratio is None or ratio.unit != RATIO or ratio.up_to is not None:
        return None
    return Compression(threshold_db, ratio.amount, knee_db, make_up_db)


def _quantity(device: Device, names: tuple[str, ...], side: Side) -> Quantity | None:
    """The physical value of the first setting so named, for a channel. None for a knob without a unit."""
    for setting in device.settings:
        value = setting.value_for(side)
        if setting.name.lower() in names and isinstance(value, Quantity):
            return value
    return None


def _seconds(quantity: Quantity | None) -> float | None:
    if quantity is None or quantity.unit not in SECONDS or quantity.up_to is not None:
        return None
    if math.isinf(quantity.amount):
        return None
    return quantity.amount * SECONDS[quantity.unit]


def _bands(device: Device, *, in_side_chain: bool) -> list[Setting]:
    return [
        setting
        for setting in device.settings
        if any(isinstance(value, EqBand) for _, value in setting.values)
        and (setting.name.lower() in SIDE_CHAIN_NAMES) == in_side_chain
    ]


def _listened_range(device: Device) -> list[Setting]:
    """A de-esser's range said in frequencies, `range 5 to 9 kHz`, as the band-pass that it is."""
    found = []
    for setting in device.settings:
        values = []
        for side, value in setting.values:
            if isinstance(value, Quantity) and value.unit in {"Hz", "kHz"} and value.up_to:
                low_hz, high_hz = sorted(
                    hertz(replace(value, amount=end)) for end in (value.amount, value.up_to)
                )
                if 0 < low_hz < high_hz:
                    middle = Quantity(math.sqrt(low_hz * high_hz), "Hz")
                    width = Quantity(math.log2(high_hz / low_hz), "octaves")
                    values.append((side, EqBand(Shape.BAND_PASS, middle, width=width)))
        if values:
            found.append(Setting("", tuple(values)))
    return found


def _filtering(
    device: Device, settings: list[Setting], rate_hz: int, at_hz: Curve | None
) -> Filtering | None:
    if not settings:
        return None
    at_hz = frequencies_hz() if at_hz is None else at_hz
    notes = _Notes()
    sides = sides_of(tuple(settings))
    drawn = {side: _drawn_bands(settings, side, device.nature, rate_hz, notes) for side in sides}
    if not any(drawn.values()):
        return None
    if device.nature is Nature.HARDWARE:
        curves = {side: level_db(analogue_response(bands, at_hz)) for side, bands in drawn.items()}
    else:
        curves = {
            side: level_db(sampled_response(bands, at_hz, rate_hz=rate_hz)) for side, bands in drawn.items()
        }
    return Filtering(curves, notes.said)


def _drawn_bands(
    settings: list[Setting], side: Side, nature: Nature, rate_hz: int, notes: _Notes
) -> list[Band]:
    bands = []
    for setting in settings:
        value = setting.value_for(side)
        if isinstance(value, EqBand):
            bands += _drawable(value, nature, rate_hz, notes)
    return bands


def _drawable(value: EqBand, nature: Nature, rate_hz: int, notes: _Notes) -> list[Band]:
    """The band as numbers, or nothing with a note that says why."""
    said = write_value(value)
    if value.shape in GAINED and not (isinstance(value.gain, Quantity) and value.gain.unit == "dB"):
        notes.add(f"“{said}” has no gain in dB, so it is not drawn.")
        return []
    try:
        if nature is Nature.SOFTWARE and hertz(value.frequency) >= rate_hz / 2:
            raise CurveError(f"it lies beyond {rate_hz / 2:,.0f} Hz, half the sampling rate")
        band = _band(value, nature, rate_hz, notes)
    except CurveError as exc:
        notes.add(f"“{said}” is not drawn: {exc}.")
        return []
    return [band]


def _band(value: EqBand, nature: Nature, rate_hz: int, notes: _Notes) -> Band:
    frequency_hz = hertz(value.frequency)
    gain_db = value.gain.amount if isinstance(value.gain, Quantity) else 0.0
    q, order = _q(value, frequency_hz, gain_db, nature, rate_hz), 2
    if value.width is None and value.shape in PASSES:
        notes.add(f"No slope is noted for “{write_value(value)}”: drawn with 12 dB/octave.")
    elif value.width is None and value.shape not in SHELVES:
        notes.add(f"No width is noted for “{write_value(value)}”: drawn with a Q of 0.71.")
    if value.width and value.width.unit == "dB/octave":
        order = order_of_slope(value.width.amount)
    if value.is_read:
        sampled_at_hz = rate_hz if nature is Nature.SOFTWARE else None
        shelf = shelf_reading(value.shape, frequency_hz, gain_db, q, rate_hz=sampled_at_hz)
        notes.add(
            f"“{write_value(value)}” says what is read at that frequency: the shelf’s own corner is drawn an "
            f"octave away, at {shelf.frequency_hz:,.0f} Hz."
        )
        return shelf
    return Band(value.shape, frequency_hz, gain_db, q, order)


def _q(value: EqBand, frequency_hz: float, gain_db: float, nature: Nature, rate_hz: int) -> float:
    width = value.width
    if width is None or width.unit == "dB/octave":
        return BUTTERWORTH_Q
    if width.unit == "Q":
        return width.amount
    if width.unit == "slope":
        return q_of_shelf_slope(width.amount, gain_db)
    if nature is Nature.HARDWARE:
        return q_of_octaves(width.amount)
    return sampled_q_of_octaves(width.amount, frequency_hz, rate_hz=rate_hz)
