"""What differs between two versions of a sheet, device by device and line by line."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from enum import StrEnum
from typing import TypeVar

from academy.recall.chain import Device, EqBand, Setting, Sheet, where
from academy.recall.writing import typeset, write_header, write_setting


class Change(StrEnum):
    """What became of a line."""

    SAME = "same"
    CHANGED = "changed"
    ADDED = "added"
    REMOVED = "removed"


@dataclass(frozen=True)
class Line:
    """One line before and after; empty where it was not there."""

    change: Change
    before: str
    after: str


@dataclass(frozen=True)
class Part:
    """One device, or the top of the sheet, with what changed in it. `depth` counts devices around it."""

    title: str
    depth: int
    change: Change
    lines: list[Line]


Item = TypeVar("Item")


def differences(before: Sheet, after: Sheet) -> list[Part]:
    """Every part of both sheets in order, those without a change too; equal sheets give only `same`."""
    top = [
        _line(before.title, after.title),
        _line(where(before), where(after)),
        _line(f"{before.rate_hz:,} Hz", f"{after.rate_hz:,} Hz"),
    ]
    return [Part("The sheet", 0, _sum(top), top), *_device_parts(before.devices, after.devices, 0)]


def is_same(parts: Iterable[Part]) -> bool:
    """Whether nothing differs."""
    return all(part.change is Change.SAME for part in parts)


def _device_parts(before: Sequence[Device], after: Sequence[Device], depth: int) -> list[Part]:
    parts = []
    for old, new in _pairs(before, after, lambda device: (device.kind, device.nature, device.name)):
        lines = _head_lines(old, new)
        for one, other in _pairs(_settings(old), _settings(new), _setting_key):
            lines.append(_line(_said(one, write_setting), _said(other, write_setting)))
        shown = new or old
        assert shown
        change = Change.ADDED if old is None else Change.REMOVED if new is None else _sum(lines)
        parts.append(Part(write_header(shown), depth, change, lines))
        parts += _insert_parts(old, new, depth + 1)
    return parts


def _insert_parts(old: Device | None, new: Device | None, depth: int) -> list[Part]:
    parts = []
    before, after = (device.inserts if device else () for device in (old, new))
    for one, other in _pairs(before, after, lambda insert: insert.path):
        parts += _device_parts(one.devices if one else (), other.devices if other else (), depth)
    return parts


def _head_lines(old: Device | None, new: Device | None) -> list[Line]:
    """Bypass and reason, where they say anything."""
    both = old is not None and new is not None
    pair = (old, new)
    lines = [
        _line(*(_said(device, lambda found: _bypass(found, has_both=both)) for device in pair)),
        _line(*(_said(device, _why) for device in pair)),
    ]
    return [line for line in lines if line.before or line.after]


def _bypass(device: Device, *, has_both: bool) -> str:
    """Whether it is bypassed; that a device which was not there before is in use goes without saying."""
    return "bypassed" if device.is_bypassed else "in use" if has_both else ""


def _why(device: Device) -> str:
    return f"why: {device.reason}" if device.reason else ""


def _said(item: Item | None, words: Callable[[Item], str]) -> str:
    return words(item) if item is not None else ""


def _settings(device: Device | None) -> tuple[Setting, ...]:
    return device.settings if device else ()


def _setting_key(setting: Setting) -> tuple[str, str]:
    """What makes two settings the same one: its name, and of a band its shape."""
    value = setting.values[0][1]
    return setting.name.lower(), value.shape.value if isinstance(value, EqBand) else ""


def _pairs(
    before: Sequence[Item], after: Sequence[Item], key: Callable[[Item], object]
) -> list[tuple[Item | None, Item | None]]:
    """Both sequences side by side, in order; None where one has nothing like the other's."""
    matcher = SequenceMatcher(
        None, [key(item) for item in before], [key(item) for item in after], autojunk=False
    )
    pairs: list[tuple[Item | None, Item | None]] = []
    for _, old_from, old_to, new_from, new_to in matcher.get_opcodes():
        olds, news = before[old_from:old_to], after[new_from:new_to]
        if [key(item) for item in olds] == [key(item) for item in news]:
            pairs += zip(olds, news, strict=True)
        else:
            pairs += [(old, None) for old in olds]
            pairs += [(None, new) for new in news]
    return pairs


def _line(before: str, after: str) -> Line:
    before, after = typeset(before), typeset(after)
    if before == after:
        return Line(Change.SAME, before, after)
    change = Change.ADDED if not before else Change.REMOVED if not after else Change.CHANGED
    return Line(change, before, after)


def _sum(lines: list[Line]) -> Change:
    return Change.SAME if all(line.change is Change.SAME for line in lines) else Change.CHANGED
