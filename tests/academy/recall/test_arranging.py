"""A chain rearranged, and what differs between two chains."""

from __future__ import annotations

import pytest

from academy.recall import arranging
from academy.recall.chain import Device, Kind, Nature, Path, SheetRefused
from academy.recall.comparing import Change, differences, is_same
from academy.recall.reading import read_devices, read_sheet
from tests.academy.recall import making

CHAIN = read_devices(
    "gate (hardware): a\ncompressor (hardware): b\n"
    "  side chain:\n    equaliser (software): c\n    equaliser (software): d\n"
    "  insert:\n    gate (software): e\n"
)
NEW = Device(Kind.OTHER, Nature.HARDWARE, "new")


def names(devices: arranging.Devices) -> str:
    """The devices by name in the order in which they are read, each with its trail."""
    return " ".join(f"{placed.trail}{placed.device.name}" for placed in arranging.walk(devices))


class TestArranging:
    def test_every_device_has_its_trail(self):
        assert names(CHAIN) == "1a 2b 2-1-1c 2-1-2d 2-2-1e"
        for placed in arranging.walk(CHAIN):
            assert arranging.device_at(CHAIN, arranging.read_trail(placed.trail)) is placed.device

    def test_devices_move_among_their_neighbours_only(self):
        assert names(arranging.moved(CHAIN, (1,), 1)) == "1b 1-1-1c 1-1-2d 1-2-1e 2a"
        assert names(arranging.moved(CHAIN, (2, 1, 2), -1)) == "1a 2b 2-1-1d 2-1-2c 2-2-1e"
        assert arranging.moved(CHAIN, (2,), 1) == CHAIN
        assert arranging.moved(CHAIN, (1,), -1) == CHAIN

    def test_one_is_doubled_or_taken_out_with_what_is_inside(self):
        assert names(arranging.doubled(CHAIN, (2, 1, 1))) == "1a 2b 2-1-1c 2-1-2c 2-1-3d 2-2-1e"
        assert names(arranging.without(CHAIN, (2,))) == "1a"
        assert (
            names(arranging.without(CHAIN, (2, 2, 1))) == "1a 2b 2-1-1c 2-1-2d"
        )  # the empty insert goes too

    def test_one_is_put_at_the_end_or_inside(self):
        assert names(arranging.with_device(CHAIN, NEW)).endswith(" 3new")
        inside = arranging.with_device(CHAIN, NEW, inside=(2,), path=Path.SIDE_CHAIN)
        assert "2-1-3new" in names(inside)
        assert "2-3-1new" in names(arranging.with_device(CHAIN, NEW, inside=(2,), path=Path.PARALLEL))
        assert names(arranging.with_device((), NEW)) == "1new"

    @pytest.mark.parametrize(
        "trail", ["3", "2-3-1", "2-1-3", "1-1-1", "0", "2-1", "x", "", "²", "9999999", "1" * 5_000]
    )
    def test_a_trail_to_nowhere_is_refused(self, trail):
        with pytest.raises(SheetRefused):
            arranging.device_at(CHAIN, arranging.read_trail(trail))


class TestComparing:
    before = read_sheet(making.TWO_BUS)

    def changed(self, *pairs: tuple[str, str]) -> list[tuple[str, str, str, str]]:
        """What differs once the text is changed: device, change, before, after."""
        text = making.TWO_BUS
        for old, new in pairs:
            assert old in text
            text = text.replace(old, new)
        parts = differences(self.before, read_sheet(text))
        return [
            (part.title, line.change.value, line.before, line.after)
            for part in parts
            for line in part.lines
            if line.change is not Change.SAME
        ]

    def test_the_same_sheet_does_not_differ(self):
        assert is_same(differences(self.before, self.before))

    def test_a_changed_setting_stands_beside_what_it_was(self):
        assert self.changed(("attack 15 ms", "attack 30 ms")) == [
            (
                "compressor (hardware): Gentle bus compressor",
                "changed",
                "attack 15\u00a0ms — lets the stick through",
                "attack 30\u00a0ms — lets the stick through",
            )
        ]

    def test_settings_come_and_go(self):
        found = self.changed(("    release 0.5 s\n", ""), ("ratio 1.5:1", "ratio 1.5:1\n    knee 6 dB"))
        assert [line[1:] for line in found] == [
            ("added", "", "knee 6\u00a0dB"),
            ("removed", "release 0.5\u00a0s", ""),
        ]

    def test_what_is_inside_a_device_counts_and_so_do_the_top_and_the_bypass(self):
        assert self.changed(("3 kHz +2 dB", "3 kHz +4 dB"))[0][0] == "equaliser (software): Its ear"
        assert self.changed(("rate: 48 kHz", "rate: 96 kHz")) == [
            ("The sheet", "changed", "48,000\u00a0Hz", "96,000\u00a0Hz")
        ]
        assert self.changed((", bypassed", ""))[0][1:] == ("changed", "bypassed", "in use")

    def test_a_device_that_is_gone_takes_its_inside_along(self):
        text = making.TWO_BUS
        short = text[: text.index("compressor")] + text[text.index("equaliser (hardware, bypassed)") :]
        parts = differences(self.before, read_sheet(short))
        gone = [part.title for part in parts if part.change is Change.REMOVED]
        assert gone == ["compressor (hardware): Gentle bus compressor", "equaliser (software): Its ear"]
        back = differences(read_sheet(short), self.before)
        assert [part.title for part in back if part.change is Change.ADDED] == gone
