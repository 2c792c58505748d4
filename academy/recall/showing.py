"""What a page needs to show a sheet: the template `recall/_sheet.html` draws it.

A room above, for instance one whose lesson shows a sheet, calls `sheet_context` and includes the template,
with `recall/recall.css` in its head. That room decides who may see it.
"""

from __future__ import annotations

from dataclasses import dataclass

from academy.recall.arranging import walk
from academy.recall.chain import Device, EqBand, Path, Setting, Sheet, Side, Value, where
from academy.recall.drawing import Picture
from academy.recall.models import RecallSheet
from academy.recall.pictures import pictures_of, total_picture
from academy.recall.writing import band_words, typeset, write_value
from academy.templatetags.audio_text import khz


@dataclass(frozen=True)
class SettingLine:
    """One row of a device's table. `values` has a word for the channel, empty for both, and the value."""

    name: str
    values: list[tuple[str, str]]
    reason: str


@dataclass(frozen=True)
class DevicePart:
    """One device as the page shows it. `place` says where it sits: its number, or the path inside another."""

    device: Device
    trail: str
    depth: int
    path: Path | None
    number: str
    name: str
    lines: list[SettingLine]
    pictures: list[Picture]

    @property
    def has_reasons(self) -> bool:
        """Whether any setting says why."""
        return any(line.reason for line in self.lines)


@dataclass(frozen=True)
class SheetPage:
    """A whole sheet as the page shows it."""

    title: str
    where: str
    rate: str
    parts: list[DevicePart]
    total: Picture | None


def sheet_context(row: RecallSheet, *, top: int = 2) -> dict[str, object]:
    """What `recall/_sheet.html` needs for the last kept version of a sheet. Empty before one is kept.

    `top` is the level of the heading of each device, because a lesson has headings of its own.
    """
    version = row.versions.order_by("-number").first()
    if version is None:
        return {}
    return {
        "sheet_page": page_of(version.content_sheet()),
        "sheet_row": row,
        "sheet_version": version,
        "top": top,
    }


def page_of(sheet: Sheet) -> SheetPage:
    """A sheet made ready for the template."""
    return SheetPage(
        title=sheet.title,
        where=where(sheet),
        rate=khz(sheet.rate_hz),
        parts=[
            DevicePart(
                device=placed.device,
                trail=placed.trail,
                depth=placed.depth,
                path=placed.path,
                number=placed.trail.split("-")[0] if placed.depth == 0 else "",
                name=placed.device.name or placed.device.kind.value.capitalize(),
                lines=[_line(setting) for setting in placed.device.settings],
                pictures=pictures_of(placed.device, rate_hz=sheet.rate_hz),
            )
            for placed in walk(sheet.devices)
        ],
        total=total_picture(sheet),
    )


def _line(setting: Setting) -> SettingLine:
    values = [("" if side is Side.BOTH else side.value, _words(value)) for side, value in setting.values]
    first = setting.values[0][1]
    name = f"{setting.name} {first.shape.value}".strip() if isinstance(first, EqBand) else setting.name
    return SettingLine(name, values, setting.reason)


def _words(value: Value) -> str:
    """A value as the page says it; a band without its shape, which is its name."""
    if not isinstance(value, EqBand):
        return typeset(write_value(value))
    words = band_words(value)
    if value.is_read:
        words[1] += " read there"
    return typeset(", ".join(words))
