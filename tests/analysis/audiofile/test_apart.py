"""Work in processes of its own, and what becomes of it where one of them dies."""

import os

import pytest

from analysis.audiofile import AudioError
from analysis.audiofile.apart import apart, each_apart


def halved(number: int) -> int:
    """Half of an even number; refuses odd ones, and dies of nought as a decoder may die of a file."""
    if number == 0:
        os._exit(11)
    if number % 2:
        raise AudioError("odd", "It is odd.")
    return number // 2


class TestEachApart:
    def test_it_keeps_the_order_and_each_refusal(self):
        first, second, third = each_apart(halved, [(8,), (3,), (2,)])
        assert (first(), third()) == (4, 1)
        with pytest.raises(AudioError) as refusal:
            second()
        assert refusal.value.code == "odd"

    @pytest.mark.parametrize("dying", [0, 1, 3])
    def test_a_process_that_dies_costs_no_other_call(self, dying):
        numbers = [2, 4, 6, 8]
        numbers[dying] = 0
        results = list(each_apart(halved, [(number,) for number in numbers]))
        with pytest.raises(AudioError, match="Export it again") as refusal:
            results[dying]()
        assert refusal.value.code == "decode_failed"
        others = [at for at in range(4) if at != dying]
        assert [results[at]() for at in others] == [numbers[at] // 2 for at in others]

    def test_no_call_starts_no_process(self, monkeypatch):
        monkeypatch.setattr(os, "fork", None)
        assert list(each_apart(halved, [])) == []


def test_one_call_returns_raises_and_survives():
    assert apart(halved, 6) == 3
    with pytest.raises(AudioError, match="odd"):
        apart(halved, 5)
    with pytest.raises(AudioError, match="stops the decoder"):
        apart(halved, 0)
