"""Whether what came by a form or a JSON file can also be said as text: both have to give the same data."""

from __future__ import annotations

from academy.recall.chain import Device, Setting, Sheet, SheetRefused
from academy.recall.phrases import read_setting
from academy.recall.reading import read_devices, read_sheet
from academy.recall.writing import write_devices, write_header, write_setting, write_sheet


def checked_setting(setting: Setting) -> Setting:
    """The setting, if its line reads as itself. Raises SheetRefused for one that would read otherwise."""
    line = write_setting(setting)
    if read_setting(line) != setting:
        raise SheetRefused(
            f"“{line}” reads as something else when it is typed. Use plain words for names and choices, "
            "without numbers, units, “|”, “:” or “--”."
        )
    return setting


def checked_device(device: Device) -> Device:
    """The device with all that nests in it, if its text reads as itself. Raises SheetRefused otherwise."""
    _check_settings(device)
    if read_devices(write_devices((device,))) != (device,):
        raise SheetRefused(
            f"“{write_header(device)}” reads as something else when it is typed. Change its name."
        )
    return device


def checked_sheet(sheet: Sheet) -> Sheet:
    """The sheet, if its text reads as itself. Raises SheetRefused with the first line that would not."""
    for device in sheet.devices:
        checked_device(device)
    if read_sheet(write_sheet(sheet)) != sheet:
        raise SheetRefused("The sheet’s title or what it is on reads as something else when it is typed.")
    return sheet


def _check_settings(device: Device) -> None:
    for setting in device.settings:
        checked_setting(setting)
    for insert in device.inserts:
        for inner in insert.devices:
            _check_settings(inner)
