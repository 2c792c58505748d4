"""A sheet as JSON: there and back, the documented shape, and what has another one."""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Callable
from typing import Any

import pytest

from academy.recall.chain import SheetRefused
from academy.recall.checking import checked_sheet
from academy.recall.exchange import from_json, read_json, to_json, write_json
from academy.recall.reading import read_sheet
from tests.academy.recall import making


@pytest.mark.parametrize("seed", range(100))
def test_any_sheet_comes_back_from_json_as_it_was(seed):
    sheet = making.some_sheet(random.Random(seed))
    assert read_json(write_json(sheet)) == sheet


def test_its_shape_is_the_documented_one():
    head = "sheet: Bus\non: group Drums\nrate: 96 kHz\n"
    text = head + "compressor (hardware)\n  attack 15 ms -- quick\n  ratio ∞:1\n"
    attack = {"amount": 15, "unit": "ms", "up_to": None, "about": False}
    ratio = {"amount": "infinity", "unit": ":1", "up_to": None, "about": False}
    assert to_json(read_sheet(text)) == {
        "recall_sheet": 1,
        "title": "Bus",
        "on": {"place": "group", "name": "Drums"},
        "sample_rate_hz": 96_000,
        "devices": [
            {
                "kind": "compressor",
                "nature": "hardware",
                "name": "",
                "bypassed": False,
                "reason": "",
                "settings": [
                    {"name": "attack", "reason": "quick", "values": [{"side": "both", "quantity": attack}]},
                    {"name": "ratio", "reason": "", "values": [{"side": "both", "quantity": ratio}]},
                ],
                "inserts": [],
            }
        ],
    }


def changed(change: Callable[[Any], object]) -> dict[str, Any]:
    """The example's JSON with something wrong in it."""
    given = copy.deepcopy(to_json(read_sheet(making.TWO_BUS)))
    change(given)
    return given


def value_of(given: Any) -> Any:
    """The attack's value in the example's JSON."""
    return given["devices"][1]["settings"][1]["values"][0]


class TestRefusing:
    @pytest.mark.parametrize(
        ("change", "help_given"),
        [
            (lambda given: given.pop("title"), "“title” is missing"),
            (lambda given: given.update(colour="red"), "“colour” is not known"),
            (lambda given: given.update(recall_sheet=2), "version “2” of a recall sheet; version 1"),
            (lambda given: given.update(recall_sheet=True), "version “True”"),
            (lambda given: given.update(title=5), "title: expected text"),
            (lambda given: given.update(devices={}), "devices: expected a list"),
            (lambda given: given["on"].update(place="moon"), "place: expected one of track, group, two-bus"),
            (
                lambda given: given["devices"][1].update(kind="box"),
                "device 2, kind: expected one of equaliser",
            ),
            (lambda given: given["devices"][1].update(bypassed=1), "bypassed: expected true or false"),
            (lambda given: given["devices"].append(3), "device 4: expected an object"),
            (lambda given: value_of(given).update(dial={}), "device 2, setting 2, value 1: expected one of"),
            (lambda given: value_of(given).pop("side"), "“side” is missing"),
            (lambda given: value_of(given)["quantity"].update(unit="parsec"), "unit: expected one of"),
            (lambda given: value_of(given)["quantity"].update(amount="15"), "amount: expected a number"),
            (lambda given: value_of(given)["quantity"].update(amount=1e300), "amount: expected a number"),
            (lambda given: given["devices"][1]["settings"][1].update(values=[]), "a setting needs a value"),
            (
                lambda given: given["devices"][1]["settings"][1].update(name="side: x"),
                "reads as something else",
            ),
            (lambda given: given["devices"][1]["settings"][1].update(name=""), "."),
            (lambda given: given["devices"][1].update(name="two\nlines"), "."),
            (lambda given: given.update(title=""), "."),
            (lambda given: given.update(sample_rate_hz=12), "At the top"),
            (lambda given: given.update(sample_rate_hz=44_100.5), "a whole number"),
        ],
    )
    def test_what_has_another_shape_is_refused_and_named(self, change, help_given):
        with pytest.raises(SheetRefused, match=help_given):
            checked_sheet(from_json(changed(change)))

    @pytest.mark.parametrize("given", [None, [], "text", 3, {}])
    def test_what_is_no_sheet_at_all_is_refused(self, given):
        with pytest.raises(SheetRefused):
            from_json(given)

    def test_what_is_no_json_is_refused_by_its_line(self):
        with pytest.raises(SheetRefused, match="Line 2"):
            read_json('{"recall_sheet": 1,\n nonsense}')
        with pytest.raises(SheetRefused, match="larger than"):
            read_json(" " * 1_000_000)
        with pytest.raises(SheetRefused):
            read_json("[" * 100_000)
        with pytest.raises(SheetRefused, match="thousands of digits"):
            read_json('{"recall_sheet": ' + "1" * 5_000 + "}")

    @pytest.mark.parametrize(
        "spoil",
        [
            lambda given: given.update({"\ud800": 1}),
            lambda given: given.update(title="\udfff"),
            lambda given: given["devices"][1]["settings"][1].update(reason="a\ud800b"),
        ],
    )
    def test_half_a_surrogate_pair_is_refused_in_words_that_can_be_shown(self, spoil):
        with pytest.raises(SheetRefused, match="half of a surrogate pair") as refusal:
            read_json(json.dumps(changed(spoil)))
        assert str(refusal.value).encode()

    def test_a_gain_that_is_read_has_to_be_there(self):
        def spoil(given):
            quantity = {"amount": 60, "unit": "Hz", "up_to": None, "about": False}
            band = {"shape": "low shelf", "frequency": quantity, "gain": None, "width": None, "is_read": True}
            given["devices"][0]["settings"][1]["values"] = [{"side": "both", "band": band}]

        with pytest.raises(SheetRefused, match="reads as something else"):
            checked_sheet(from_json(changed(spoil)))

    @pytest.mark.parametrize("seed", range(60))
    def test_a_spoilt_file_makes_no_more_than_a_refusal(self, seed):
        chance = random.Random(seed)
        given = to_json(read_sheet(making.TWO_BUS))
        spots = list(_spots(given))
        for holder, key in chance.sample(spots, 2):
            holder[key] = chance.choice(
                [None, 1, -1.5, "x", "infinity", [], {}, True, "a|b", ["both"], 10**400, "\x00", "9" * 5_000]
            )
        try:
            sheet = checked_sheet(from_json(given))
        except SheetRefused:
            return
        assert json.loads(write_json(sheet)) == to_json(sheet)


def _spots(given: Any) -> Any:
    """Every place in the file where a value stands."""
    items = given.items() if isinstance(given, dict) else enumerate(given) if isinstance(given, list) else ()
    for key, value in list(items):
        yield given, key
        yield from _spots(value)
