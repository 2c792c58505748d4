"""Whole sheets as text: structure, nesting, line numbers of what is wrong, and the way there and back."""

from __future__ import annotations

import random

import pytest

from academy.recall.chain import Kind, Nature, Path, Place, SheetRefused
from academy.recall.reading import read_devices, read_sheet
from academy.recall.writing import write_devices, write_sheet
from tests.academy.recall import making


def refused(text: str) -> list[str]:
    """The sentences with which a chain is refused."""
    with pytest.raises(SheetRefused) as refusal:
        read_devices(text)
    return refusal.value.sentences


class TestStructure:
    def test_a_sheet_is_read_as_it_is_meant(self):
        sheet = read_sheet(making.TWO_BUS)
        assert (sheet.title, sheet.place, sheet.place_name, sheet.rate_hz) == (
            "Two-bus",
            Place.TWO_BUS,
            "",
            48_000,
        )
        bottom, compressor, top = sheet.devices
        assert [device.kind for device in sheet.devices] == [Kind.EQUALISER, Kind.COMPRESSOR, Kind.EQUALISER]
        assert compressor.reason == "It holds the choruses together."
        assert [setting.name for setting in compressor.settings[:3]] == ["ratio", "attack", "release"]
        (insert,) = compressor.inserts
        assert insert.path is Path.SIDE_CHAIN
        assert insert.devices[0].name == "Its ear"
        assert insert.devices[0].nature is Nature.SOFTWARE
        assert (bottom.is_bypassed, top.is_bypassed) == (False, True)

    def test_settings_need_no_indent(self):
        (device,) = read_devices("compressor (hardware)\nratio 4:1\nwhy: it holds\nattack 1 ms\n")
        assert [setting.name for setting in device.settings] == ["ratio", "attack"]
        assert device.reason == "it holds"

    def test_tabs_blank_lines_and_remarks_are_fine(self):
        (device,) = read_devices("\ufeff# a remark\r\n\r\nEQ (software): Tilt\r\n\tlow shelf 60 Hz +1 dB\r\n")
        assert (device.kind, device.name, len(device.settings)) == (Kind.EQUALISER, "Tilt", 1)

    def test_a_choice_named_like_a_kind_is_a_choice_inside_a_device(self):
        (device,) = read_devices("other (hardware)\n    width: wide\n")
        assert device.settings[0].name == "width"

    def test_after_what_is_inside_the_outer_device_goes_on(self):
        text = "compressor (hardware)\n  side chain:\n    gate (software)\n      range 6 dB\n  attack 1 ms\n"
        (device,) = read_devices(text)
        assert [setting.name for setting in device.settings] == ["attack"]
        assert device.inserts[0].devices[0].settings[0].name == "range"


class TestRefusing:
    def test_every_wrong_line_is_named_by_its_number(self):
        sentences = refused("compressor (hardware)\n    attack 15\n    ratio 4:1\n    drive lots\n")
        assert [sentence.split(":")[0] for sentence in sentences] == ["Line 2", "Line 4"]

    @pytest.mark.parametrize(
        ("text", "help_given"),
        [
            ("attack 15 ms", "belongs to no device"),
            ("compressor\n", "hardware or software: “compressor (hardware)”"),
            ("compressor: Bus\n", "hardware or software"),
            ("compressor (valve)\n", "hardware or software"),
            ("compressor (hardware, loud)\n", "“loud” is not understood"),
            ("gate (hardware)\n    eq (hardware)\n", "a line before it that says where"),
            ("gate (hardware)\n  insert:\n    attack 1 ms\n", "where a device is expected"),
            ("insert:\n", "belongs to no device"),
            ("gate (hardware)\n  why: a\n  why: b\n", "one “why:”"),
            (f"gate (hardware): {'x' * 81}\n", "80 letters at most"),
            ("gate (hardware): a\x00b\n", "cannot be printed"),
            ("gate (hardware): a\ud800b\n", "cannot be printed"),
        ],
    )
    def test_each_kind_of_mistake_has_its_sentence(self, text, help_given):
        assert help_given in refused(text)[0]

    def test_devices_nest_only_so_deep(self):
        lines = ["gate (hardware)"]
        for depth in range(1, 6):
            indent = "  " * (2 * depth)
            lines += [indent[2:] + "insert:", indent + "gate (hardware)"]
        assert "4 deep at most" in refused("\n".join(lines))[0]

    def test_a_text_beyond_measure_is_not_read(self):
        assert "KiB" in refused("#" * 70_000)[0]
        assert "100 devices" in refused("gate (hardware)\n" * 101)[0]

    def test_a_sheet_needs_its_top(self):
        with pytest.raises(SheetRefused) as refusal:
            read_sheet("gate (hardware)\n")
        assert [sentence[:12] for sentence in refusal.value.sentences] == ["The line “on", "The line “sh"]
        for wrong in ("on: somewhere", "on: the two-bus\nrate: 12 bananas", "on: the two-bus\nrate: 1 kHz"):
            with pytest.raises(SheetRefused, match="At the top"):
                read_sheet(f"sheet: A\n{wrong}\n")


class TestThereAndBack:
    @pytest.mark.parametrize("seed", range(150))
    def test_any_sheet_reads_as_it_was_written(self, seed):
        sheet = making.some_sheet(random.Random(seed))
        assert read_sheet(write_sheet(sheet)) == sheet
        assert read_devices(write_devices(sheet.devices)) == sheet.devices

    def test_writing_what_was_read_changes_nothing_more(self):
        once = write_sheet(read_sheet(making.TWO_BUS))
        assert write_sheet(read_sheet(once)) == once

    @pytest.mark.parametrize("seed", range(120))
    def test_nothing_that_is_typed_makes_more_than_a_refusal(self, seed):
        chance = random.Random(seed)
        letters = list(making.TWO_BUS)
        for _ in range(20):
            letters[chance.randrange(len(letters))] = chance.choice("\n :|-()0123456789.∞’kHz\t\x00")
        if seed % 2:
            letters.insert(chance.randrange(len(letters)), chance.choice(making.HOSTILE))
        sheet, sentences = None, []
        try:
            sheet = read_sheet("".join(letters))
        except SheetRefused as refusal:
            sentences = refusal.sentences
        assert all(sentence.encode() and len(sentence) < 1_000 for sentence in sentences)
        assert sheet is None or read_sheet(write_sheet(sheet)) == sheet
