"""Whether what came by a form or a JSON file can also be said as text: both have to give the same data.

Asked once, before anything is kept.
"""

from __future__ import annotations

from dataclasses import replace

from academy.recall.chain import Device, Setting, Sheet, SheetRefused
from academy.recall.numbers import quoted
from academy.recall.phrases import read_setting
from academy.recall.reading import read_devices, read_sheet
from academy.recall.writing import write_devices, write_header, write_setting, write_sheet


def checked_setting(setting: Setting) -> Setting:
    """The setting, if its line reads as itself. Raises SheetRefused for one that would read otherwise."""
    line = write_setting(setting)
    if read_setting(line) != setting:
        raise SheetRefused(
            f"{quoted(line)} reads as something else when it is typed. Use plain words for names and "
            "choices, without numbers, units, “|”, “:” or “--”."
        )
    return setting


def checked_sheet(sheet: Sheet) -> Sheet:
    """The sheet, if its text reads as itself. Raises SheetRefused with the first line that would not."""
    try:
        is_itself = read_sheet(write_sheet(sheet)) == sheet
    except SheetRefused:
        _refuse_faulty(sheet.devices)  # which says it of the setting, not of a line of a text never typed
        raise
    if not is_itself:
        _refuse_faulty(sheet.devices)
        raise SheetRefused("The sheet’s title or what it is on reads as something else when it is typed.")
    return sheet


def _refuse_faulty(devices: tuple[Device, ...]) -> None:
    """Raise SheetRefused for the first setting or device that reads as another one; pass where none does."""
    for device in devices:
        for setting in device.settings:
            checked_setting(setting)
        for insert in device.inserts:
            _refuse_faulty(insert.devices)
        bare = replace(device, settings=(), inserts=())
        if read_devices(write_devices((bare,))) != (bare,):
            raise SheetRefused(
                f"{quoted(write_header(device))} reads as something else when it is typed. Change its name."
            )
