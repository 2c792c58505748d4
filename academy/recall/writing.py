"""A sheet, a device or a setting as text: what `reading` reads comes out the same."""

from __future__ import annotations

import re
from collections.abc import Iterable

from academy.recall.chain import (
    Choice,
    Clock,
    Detent,
    Device,
    Dial,
    EqBand,
    Quantity,
    Setting,
    Sheet,
    Side,
    Switch,
    Value,
    plain,
    where,
)
from academy.recall.vocabulary import EXPANSION, RATIO, UNITS
from academy.templatetags.audio_text import MINUS, NO_BREAK

INDENT = "    "
UNIT = "|".join(re.escape(unit) for unit in sorted(UNITS, key=len, reverse=True))


def write_sheet(sheet: Sheet) -> str:
    """The whole sheet as text, a line a setting, nested devices indented. Ends with a line break."""
    head = [f"sheet: {sheet.title}", f"on: {where(sheet)}", f"rate: {plain(sheet.rate_hz / 1000)} kHz"]
    lines = [*head, *_device_lines(sheet.devices, "")]
    return "\n".join(lines) + "\n"


def write_devices(devices: tuple[Device, ...]) -> str:
    """The chain alone as text, as it is edited; empty without devices."""
    return "\n".join(_device_lines(devices, "")).lstrip("\n") + "\n" if devices else ""


def write_header(device: Device) -> str:
    """A device's own line: `compressor (hardware, bypassed): Slow bus compressor`."""
    bypassed = ", bypassed" if device.is_bypassed else ""
    name = f": {device.name}" if device.name else ""
    return f"{device.kind} ({device.nature}{bypassed}){name}"


def write_setting(setting: Setting) -> str:
    """A setting as one line, its reason behind it."""
    return write_phrase(setting) + (f" -- {setting.reason}" if setting.reason else "")


def write_phrase(setting: Setting) -> str:
    """A setting as one line without its reason."""
    clauses = [
        ("" if side is Side.BOTH else f"{side}: ") + write_clause(setting.name, value)
        for side, value in setting.values
    ]
    return " | ".join(clauses)


def write_clause(name: str, value: Value) -> str:
    """A setting's name with one channel's value."""
    if isinstance(value, Choice):
        return f"{name}: {value.words}"
    return f"{name} {write_value(value)}".strip()


def write_value(value: Value) -> str:
    """A value alone: `15 ms`, `two o'clock` as `2 o'clock`, `bell 300 Hz -3 dB Q 1.4`."""
    match value:
        case Quantity():
            return _quantity(value)
        case Dial():
            scale = (
                f"from {plain(value.low)} to {plain(value.high)}" if value.low else f"of {plain(value.high)}"
            )
            return f"{plain(value.at)} {scale}"
        case Detent():
            return f"step {value.step} of {value.of}"
        case Clock():
            minute = f":{value.minute:02d}" if value.minute else ""
            return f"{value.hour}{minute} o'clock"
        case Choice():
            return value.words
        case Switch():
            return "on" if value.is_on else "off"
        case EqBand():
            return _band(value)


def band_words(band: EqBand) -> list[str]:
    """Frequency, gain and width of a band, each as far as it is noted."""
    words = [_quantity(band.frequency)]
    if isinstance(band.gain, Quantity):
        words.append(f"{'+' if band.gain.amount > 0 else ''}{plain(band.gain.amount)} dB")
    elif band.gain is not None:
        words.append(write_value(band.gain))
    if band.width:
        words.append(_width(band.width))
    return words


def typeset(text: str) -> str:
    """A line as it is set on a page: true minus signs and apostrophes, no break between number and unit."""
    text = text.replace(" -- ", " — ")
    text = re.sub(r"(?<![\w)-])-(?=\d|infinity)", MINUS, text).replace("infinity", "∞").replace("'", "’")
    return re.sub(rf"(?<=[\d∞]) (?=(?:{UNIT})(?!\w))", NO_BREAK, text)


def _device_lines(devices: Iterable[Device], indent: str) -> list[str]:
    lines = []
    for device in devices:
        lines += ["", indent + write_header(device)]
        if device.reason:
            lines.append(f"{indent}{INDENT}why: {device.reason}")
        lines += [indent + INDENT + write_setting(setting) for setting in device.settings]
        for insert in device.inserts:
            lines.append(f"{indent}{INDENT}{insert.path}:")
            lines += [line for line in _device_lines(insert.devices, indent + 2 * INDENT) if line]
    return lines


def _quantity(value: Quantity) -> str:
    about = "about " if value.about else ""
    if value.unit == RATIO:
        return f"{about}{plain(value.amount)}:1"
    if value.unit == EXPANSION:
        return f"{about}1:{plain(value.amount)}"
    up_to = "" if value.up_to is None else f" to {plain(value.up_to)}"
    return f"{about}{plain(value.amount)}{up_to} {value.unit}"


def _band(band: EqBand) -> str:
    frequency, *rest = band_words(band)
    if band.is_read and isinstance(band.gain, Quantity):
        move = "cut" if band.gain.amount < 0 else "lift"
        lead = f"{move} {plain(abs(band.gain.amount))} dB at {frequency} {band.shape.value}"
        return " ".join([lead, *rest[1:]])
    return " ".join([band.shape.value, frequency, *rest])


def _width(width: Quantity) -> str:
    if width.unit in {"Q", "slope"}:
        return f"{width.unit} {plain(width.amount)}"
    unit = "octave" if width.unit == "octaves" and width.amount == 1 else width.unit
    return f"{plain(width.amount)} {unit}"
