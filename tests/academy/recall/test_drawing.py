"""The pictures' geometry: a value stands where its rule stands, and a curve ends at the picture's edge."""

from __future__ import annotations

import re

import numpy as np
import pytest

from academy.recall.drawing import BOTTOM, LEFT, RIGHT, TOP, Axis, path_of, rules_of
from academy.recall.pictures import pictures_of
from academy.recall.reading import read_devices, read_sheet
from tests.academy.recall import making


def points(path: str) -> list[tuple[float, float]]:
    """The points of a path."""
    return [(float(x), float(y)) for x, y in re.findall(r"[ML]([-\d.]+) ([-\d.]+)", path)]


def test_a_rule_and_a_curve_agree_about_a_value():
    across, up = Axis(0, 10, LEFT, RIGHT), Axis(-12, 12, BOTTOM, TOP)
    rule = next(rule for rule in rules_of(-12, 12, 6, up) if rule.label == "−6")
    path = path_of(np.array([0.0, 10.0]), np.array([-6.0, -6.0]), across, up)
    assert points(path) == [(LEFT, rule.at), (RIGHT, rule.at)]
    assert next(rule for rule in rules_of(-12, 12, 6, up) if rule.is_strong).label == "0"


def test_a_curve_breaks_off_exactly_at_the_edge_and_comes_back():
    across, up = Axis(0, 4, 0, 400), Axis(-10, 10, 200, 0)
    path = path_of(np.arange(5.0), np.array([0.0, -20.0, -20.0, 0.0, np.nan]), across, up)
    assert path == "M0.0 100.0 L50.0 200.0 M250.0 200.0 L300.0 100.0"


def test_what_has_no_bottom_is_drawn_as_far_as_it_goes():
    across, up = Axis(0, 2, 0, 200), Axis(-10, 10, 200, 0)
    path = path_of(np.arange(3.0), np.array([0.0, -np.inf, 0.0]), across, up)
    assert points(path) == [(0, 100), (100, 200), (100, 200), (200, 100)]


@pytest.mark.parametrize(
    "said", ["notch 50 Hz Q 8", "bell 300 Hz +18 dB", "high-pass 80 Hz 24 dB/octave", "bell 1 kHz -2 dB"]
)
def test_no_curve_leaves_its_picture(said):
    (device,) = read_devices(f"equaliser (hardware)\n  {said}\n")
    (picture,) = pictures_of(device, rate_hz=48_000)
    found = points(picture.lines[0].path)
    assert len(found) > 50
    assert all(LEFT <= x <= RIGHT and TOP <= y <= BOTTOM for x, y in found)


def test_every_picture_names_its_source_and_has_its_numbers():
    sheet = read_sheet(making.TWO_BUS)
    pictures = [picture for device in sheet.devices for picture in pictures_of(device, rate_hz=48_000)]
    assert len(pictures) == 5
    for picture in pictures:
        assert re.search(r"20(12|21)", picture.source)
        assert {len(row) for row in picture.table.rows} == {len(picture.table.head)}
