"""A chain rearranged: devices and settings put in, moved, doubled, taken out. Every function returns another.

A device is found by its trail: its number in the chain, then for each level the number of the insert and of
the device in it, counted from one: `2`, or `2-1-3` for the third device in the first insert of the second.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TypeVar

from academy.recall.chain import Device, Insert, Path, Setting, SheetRefused

Devices = tuple[Device, ...]
Item = TypeVar("Item")
Trail = tuple[int, ...]

TRAIL_NUMBER = re.compile("[1-9][0-9]{0,2}")
GONE = "That device is no longer in the chain: it was changed meanwhile. Look at the chain as it is now."


@dataclass(frozen=True)
class Placed:
    """A device with its trail, how deep it nests, and the path that it sits on there; None in the chain."""

    device: Device
    trail: str
    depth: int
    path: Path | None


def walk(devices: Devices, *, trail: str = "", depth: int = 0, path: Path | None = None) -> Iterator[Placed]:
    """Every device in the order in which it is read, nested ones behind the one that holds them."""
    for number, device in enumerate(devices, start=1):
        own = f"{trail}{number}"
        yield Placed(device, own, depth, path)
        for at, insert in enumerate(device.inserts, start=1):
            yield from walk(insert.devices, trail=f"{own}-{at}-", depth=depth + 1, path=insert.path)


def read_trail(said: str) -> Trail:
    """A trail from its text. Raises SheetRefused for one that cannot be."""
    numbers = said.split("-")
    if len(numbers) % 2 == 0 or not all(TRAIL_NUMBER.fullmatch(number) for number in numbers):
        raise SheetRefused(GONE)
    return tuple(int(number) for number in numbers)


def device_at(devices: Devices, trail: Trail) -> Device:
    """The device at a trail. Raises SheetRefused where there is none."""
    found = _at(devices, trail[0])
    if len(trail) == 1:
        return found
    return device_at(_at(found.inserts, trail[1]).devices, trail[2:])


def changed_at(devices: Devices, trail: Trail, change: Callable[[Device], Device]) -> Devices:
    """The chain with one device changed. Raises SheetRefused where there is none."""
    return _row_changed(devices, trail, lambda row, at: (*row[:at], change(row[at]), *row[at + 1 :]))


def without(devices: Devices, trail: Trail) -> Devices:
    """The chain with one device, and all that nests in it, taken out. An insert left empty goes too."""
    return _row_changed(devices, trail, lambda row, at: (*row[:at], *row[at + 1 :]))


def doubled(devices: Devices, trail: Trail) -> Devices:
    """The chain with one device twice, the copy right behind it."""
    return _row_changed(devices, trail, lambda row, at: (*row[: at + 1], *row[at:]))


def moved(devices: Devices, trail: Trail, by: int) -> Devices:
    """The chain with one device moved among its neighbours; at the end of its row it stays."""
    return _row_changed(devices, trail, lambda row, at: shifted(row, at, by))


def with_device(
    devices: Devices, device: Device, *, inside: Trail | None = None, path: Path = Path.INSERT
) -> Devices:
    """The chain with a device added at its end, or at the end of a path inside another device."""
    if inside is None:
        return (*devices, device)

    def grown(holder: Device) -> Device:
        if any(insert.path is path for insert in holder.inserts):
            inserts = tuple(
                replace(insert, devices=(*insert.devices, device)) if insert.path is path else insert
                for insert in holder.inserts
            )
        else:
            inserts = (*holder.inserts, Insert(path, (device,)))
        return replace(holder, inserts=inserts)

    return changed_at(devices, inside, grown)


def with_setting(device: Device, setting: Setting, at: int | None = None) -> Device:
    """The device with a setting put in the place of the one at `at`, counted from one, or behind the last."""
    if at is None:
        return replace(device, settings=(*device.settings, setting))
    _at(device.settings, at)
    return replace(device, settings=(*device.settings[: at - 1], setting, *device.settings[at:]))


def without_setting(device: Device, at: int) -> Device:
    """The device without the setting at `at`, counted from one."""
    _at(device.settings, at)
    return replace(device, settings=(*device.settings[: at - 1], *device.settings[at:]))


def shifted(row: tuple[Item, ...], at: int, by: int) -> tuple[Item, ...]:
    """A row with the item at index `at` moved by so many places; beyond either end it stays where it is."""
    to = at + by
    if not 0 <= to < len(row):
        return row
    rest = [*row[:at], *row[at + 1 :]]
    return (*rest[:to], row[at], *rest[to:])


def _row_changed(devices: Devices, trail: Trail, change: Callable[[Devices, int], Devices]) -> Devices:
    holder = _at(devices, trail[0])
    if len(trail) == 1:
        return change(devices, trail[0] - 1)
    insert = _at(holder.inserts, trail[1])
    inner = _row_changed(insert.devices, trail[2:], change)
    kept = (replace(insert, devices=inner),) if inner else ()
    inserts = (*holder.inserts[: trail[1] - 1], *kept, *holder.inserts[trail[1] :])
    return (*devices[: trail[0] - 1], replace(holder, inserts=inserts), *devices[trail[0] :])


def _at(row: tuple[Item, ...], number: int) -> Item:
    if not 1 <= number <= len(row):
        raise SheetRefused(GONE)
    return row[number - 1]
