"""A sheet as JSON and back: for keeping in the database, for carrying to another site, for other programs.

The shape, version 1. Every value has a side (`both`, or `left` and `right`, or `mid` and `side`) and exactly
one of the seven forms:

    {"recall_sheet": 1, "title": "Two-bus", "on": {"place": "two-bus", "name": ""}, "sample_rate_hz": 48000,
     "devices": [{"kind": "compressor", "nature": "hardware", "name": "", "bypassed": false, "reason": "",
       "settings": [{"name": "attack", "reason": "", "values": [
           {"side": "both", "quantity": {"amount": 15, "unit": "ms", "up_to": null, "about": false}}]}],
       "inserts": [{"path": "side chain", "devices": []}]}]}

    "quantity": {"amount", "unit", "up_to", "about"}    "dial": {"at", "low", "high"}
    "detent": {"step", "of"}    "clock": {"hour", "minute"}    "choice": "slow"    "on": true
    "band": {"shape", "frequency": quantity, "gain": {one of quantity, dial, detent, clock} or null,
             "width": quantity or null, "is_read"}

JSON has no infinity: an amount without end is the text "infinity" or "-infinity".
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from enum import Enum
from typing import Any, TypeVar

from academy.recall.chain import (
    Choice,
    Clock,
    Detent,
    Device,
    Dial,
    EqBand,
    Insert,
    Kind,
    Nature,
    Path,
    Place,
    Position,
    Quantity,
    Setting,
    Sheet,
    SheetRefused,
    Side,
    Switch,
    Value,
)
from academy.recall.numbers import quoted
from academy.recall.reading import DEEPEST, LONGEST_TEXT
from academy.recall.vocabulary import EXPANSION, RATIO, UNITS, WIDTH_UNITS
from analysis.dsp.curves.equaliser import Shape

VERSION = 1
HALF_A_PAIR = re.compile("[\ud800-\udfff]")
LARGEST_JSON = 8 * LONGEST_TEXT  # the same sheet takes several times its text
KNOWN_UNITS = {*UNITS, *WIDTH_UNITS, RATIO, EXPANSION}

Json = dict[str, Any]
Listed = TypeVar("Listed")
Listing = TypeVar("Listing", bound=Enum)


def to_json(sheet: Sheet) -> Json:
    """The sheet as a JSON object of the shape above."""
    return {
        "recall_sheet": VERSION,
        "title": sheet.title,
        "on": {"place": sheet.place.value, "name": sheet.place_name},
        "sample_rate_hz": sheet.rate_hz,
        "devices": [_device_to_json(device) for device in sheet.devices],
    }


def from_json(given: object) -> Sheet:
    """The sheet of a JSON object. Raises SheetRefused, naming the place in it, for what has another shape.

    Whether the sheet can be said as text is not asked here: `checking` asks it before anything is kept, and
    what was kept once is read again as it is.
    """
    top = _Place("The file", given)
    top.require({"recall_sheet", "title", "on", "sample_rate_hz", "devices"})
    version = top.at("recall_sheet").value
    if version != VERSION or isinstance(version, bool):
        said = quoted(str(version))
        raise SheetRefused(f"This is version {said} of a recall sheet; version {VERSION} is read here.")
    on = top.at("on")
    on.require({"place", "name"})
    return Sheet(
        title=top.at("title").text(),
        place=on.at("place").one_of(Place),
        place_name=on.at("name").text(),
        rate_hz=top.at("sample_rate_hz").whole(),
        devices=top.at("devices").each("device", _device_from_json),
    )


def read_json(text: str) -> Sheet:
    """The sheet in the text of a JSON file, shaped as `from_json` says.

    Raises SheetRefused for what is no JSON, for numbers and signs that no sheet has, and for another shape.
    """
    if len(text) > LARGEST_JSON:
        raise SheetRefused(f"The file is larger than {LARGEST_JSON // 1024} KiB; a recall sheet is not.")
    try:
        given = json.loads(text.lstrip("\ufeff"))
        has_half_a_pair = HALF_A_PAIR.search(json.dumps(given, ensure_ascii=False))
    except json.JSONDecodeError as exc:
        raise SheetRefused(f"Line {exc.lineno}: this is no JSON file ({exc.msg}).") from exc
    except ValueError as exc:  # Python reads no whole number of more than some thousand digits
        raise SheetRefused("The file holds a number of thousands of digits; no setting has one.") from exc
    except RecursionError as exc:
        raise SheetRefused("The file nests far deeper than any recall sheet.") from exc
    if has_half_a_pair:  # no page could be written with it
        raise SheetRefused("The file holds half of a surrogate pair, as in \\ud800: that is no letter.")
    return from_json(given)


def write_json(sheet: Sheet) -> str:
    """The sheet as the text of a JSON file, indented, in UTF-8 when written."""
    return json.dumps(to_json(sheet), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _device_to_json(device: Device) -> Json:
    return {
        "kind": device.kind.value,
        "nature": device.nature.value,
        "name": device.name,
        "bypassed": device.is_bypassed,
        "reason": device.reason,
        "settings": [
            {
                "name": setting.name,
                "reason": setting.reason,
                "values": [{"side": side.value, **_value_to_json(value)} for side, value in setting.values],
            }
            for setting in device.settings
        ],
        "inserts": [
            {"path": insert.path.value, "devices": [_device_to_json(inner) for inner in insert.devices]}
            for insert in device.inserts
        ],
    }


def _value_to_json(value: Value) -> Json:
    match value:
        case Quantity():
            return {"quantity": _quantity_to_json(value)}
        case Dial():
            return {"dial": {"at": value.at, "low": value.low, "high": value.high}}
        case Detent():
            return {"detent": {"step": value.step, "of": value.of}}
        case Clock():
            return {"clock": {"hour": value.hour, "minute": value.minute}}
        case Choice():
            return {"choice": value.words}
        case Switch():
            return {"on": value.is_on}
        case EqBand():
            return {
                "band": {
                    "shape": value.shape.value,
                    "frequency": _quantity_to_json(value.frequency),
                    "gain": None if value.gain is None else _value_to_json(value.gain),
                    "width": None if value.width is None else _quantity_to_json(value.width),
                    "is_read": value.is_read,
                }
            }


def _quantity_to_json(value: Quantity) -> Json:
    return {
        "amount": _number_to_json(value.amount),
        "unit": value.unit,
        "up_to": None if value.up_to is None else _number_to_json(value.up_to),
        "about": value.about,
    }


def _number_to_json(number: float) -> float | str:
    if math.isinf(number):
        return "infinity" if number > 0 else "-infinity"
    return number


class _Place:
    """A value inside the file with the words that say where it stands."""

    def __init__(self, words: str, value: object) -> None:
        self.words = words
        self.value: Any = value

    def wrong(self, expected: str) -> SheetRefused:
        return SheetRefused(f"{self.words}: expected {expected}.")

    def require(self, keys: set[str]) -> None:
        if not isinstance(self.value, dict):
            raise self.wrong("an object in braces")
        missing, unknown = keys - self.value.keys(), self.value.keys() - keys
        if missing:
            raise SheetRefused(f"{self.words}: “{min(missing)}” is missing.")
        if unknown:
            raise SheetRefused(
                f"{self.words}: {quoted(min(map(str, unknown)))} is not known in a recall sheet."
            )

    def at(self, key: str) -> _Place:
        return _Place(f"{self.words}, {key}", self.value[key])

    def text(self) -> str:
        if not isinstance(self.value, str):
            raise self.wrong("text")
        return self.value

    def yes_or_no(self) -> bool:
        if not isinstance(self.value, bool):
            raise self.wrong("true or false")
        return self.value

    def number(self) -> float:
        if self.value in ("infinity", "-infinity"):
            return math.inf if self.value == "infinity" else -math.inf
        if (
            isinstance(self.value, bool)
            or not isinstance(self.value, int | float)
            or not abs(self.value) < 1e12
        ):
            raise self.wrong("a number")
        return float(self.value)

    def whole(self) -> int:
        number = self.number()
        if math.isinf(number) or number != int(number):
            raise self.wrong("a whole number")
        return int(number)

    def one_of(self, listing: type[Listing]) -> Listing:
        try:
            return listing(self.value)
        except ValueError as exc:
            raise self.wrong("one of " + ", ".join(str(one.value) for one in listing)) from exc

    def each(self, what: str, read: Callable[[_Place], Listed]) -> tuple[Listed, ...]:
        if not isinstance(self.value, list):
            raise self.wrong("a list in brackets")
        words = self.words.rpartition(", ")[0]
        return tuple(
            read(_Place(f"{words}, {what} {number}", value))
            for number, value in enumerate(self.value, start=1)
        )


def _device_from_json(place: _Place, depth: int = 1) -> Device:
    place.require({"kind", "nature", "name", "bypassed", "reason", "settings", "inserts"})
    if depth > DEEPEST:
        raise SheetRefused(f"{place.words}: devices nest {DEEPEST} deep at most.")
    return Device(
        kind=place.at("kind").one_of(Kind),
        nature=place.at("nature").one_of(Nature),
        name=place.at("name").text(),
        is_bypassed=place.at("bypassed").yes_or_no(),
        reason=place.at("reason").text(),
        settings=place.at("settings").each("setting", _setting_from_json),
        inserts=place.at("inserts").each("insert", lambda inner: _insert_from_json(inner, depth)),
    )


def _insert_from_json(place: _Place, depth: int) -> Insert:
    place.require({"path", "devices"})
    devices = place.at("devices").each("device", lambda inner: _device_from_json(inner, depth + 1))
    return Insert(place.at("path").one_of(Path), devices)


def _setting_from_json(place: _Place) -> Setting:
    place.require({"name", "reason", "values"})
    values = place.at("values").each("value", _sided_from_json)
    if not values:
        raise SheetRefused(f"{place.words}: a setting needs a value.")
    return Setting(place.at("name").text(), values, place.at("reason").text())


def _sided_from_json(place: _Place) -> tuple[Side, Value]:
    if not isinstance(place.value, dict) or "side" not in place.value:
        raise SheetRefused(f"{place.words}: “side” is missing.")
    side = place.at("side").one_of(Side)
    rest = {key: value for key, value in place.value.items() if key != "side"}
    return side, _value_from_json(_Place(place.words, rest))


def _value_from_json(place: _Place) -> Value:
    forms: dict[str, Callable[[_Place], Value]] = {
        **POSITIONS,
        "quantity": _quantity_from_json,
        "choice": lambda inner: Choice(inner.text()),
        "on": lambda inner: Switch(inner.yes_or_no()),
        "band": _band_from_json,
    }
    return _form_of(place, forms)


def _form_of(place: _Place, forms: dict[str, Callable[[_Place], Listed]]) -> Listed:
    if not isinstance(place.value, dict) or len(place.value) != 1 or not place.value.keys() <= forms.keys():
        raise place.wrong("one of " + ", ".join(sorted(forms)))
    (form,) = place.value
    return forms[form](place.at(form))


def _quantity_from_json(place: _Place) -> Quantity:
    place.require({"amount", "unit", "up_to", "about"})
    unit = place.at("unit").text()
    if unit not in KNOWN_UNITS:
        raise place.at("unit").wrong("one of " + ", ".join(sorted(KNOWN_UNITS)))
    up_to = None if place.value["up_to"] is None else place.at("up_to").number()
    return Quantity(place.at("amount").number(), unit, up_to, place.at("about").yes_or_no())


def _dial_from_json(place: _Place) -> Dial:
    place.require({"at", "low", "high"})
    return Dial(place.at("at").number(), place.at("high").number(), place.at("low").number())


def _detent_from_json(place: _Place) -> Detent:
    place.require({"step", "of"})
    return Detent(place.at("step").whole(), place.at("of").whole())


def _clock_from_json(place: _Place) -> Clock:
    place.require({"hour", "minute"})
    return Clock(place.at("hour").whole(), place.at("minute").whole())


POSITIONS: dict[str, Callable[[_Place], Position]] = {
    "dial": _dial_from_json,
    "detent": _detent_from_json,
    "clock": _clock_from_json,
}


def _band_from_json(place: _Place) -> EqBand:
    place.require({"shape", "frequency", "gain", "width", "is_read"})
    gains: dict[str, Callable[[_Place], Quantity | Position]] = {**POSITIONS, "quantity": _quantity_from_json}
    return EqBand(
        shape=place.at("shape").one_of(Shape),
        frequency=_quantity_from_json(place.at("frequency")),
        gain=None if place.value["gain"] is None else _form_of(place.at("gain"), gains),
        width=None if place.value["width"] is None else _quantity_from_json(place.at("width")),
        is_read=place.at("is_read").yes_or_no(),
    )
