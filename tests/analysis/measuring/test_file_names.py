"""Names of files, against Microsoft's “Naming Files, Paths, and Namespaces” and Unicode's normal forms."""

from __future__ import annotations

import unicodedata

import pytest

from analysis.measuring import file_names


def codes(name: str) -> list[str]:
    """What is wrong with a name."""
    return [code for code, _ in file_names.troubles(name)]


@pytest.mark.parametrize(
    "name", ["01 Kick in.wav", "Gitarre – ö.flac", "console.wav", "com10.wav", "Aux send.wav"]
)
def test_a_good_name_goes_everywhere(name):
    assert codes(name) == []


# The list of the document above, every name and character of it.
@pytest.mark.parametrize("character", [*'<>:"/\\|?*', "\x00", "\x1f", "\n"])
def test_reserved_characters(character):
    assert codes(f"Kick{character}in.wav") == ["name_characters"]


@pytest.mark.parametrize(
    "name",
    [
        "CON",
        "PRN",
        "AUX",
        "NUL",
        *[f"COM{n}" for n in "0123456789¹²³"],
        *[f"LPT{n}" for n in "0123456789¹²³"],
    ],
)
@pytest.mark.parametrize("ending", ["", ".wav", ".tar.gz"])
def test_reserved_names_with_any_ending_and_in_any_case(name, ending):
    assert codes(name + ending) == codes(name.lower() + ending) == ["name_reserved"]


@pytest.mark.parametrize("name", ["Kick.wav ", "Kick.wav.", "Kick .wav"])
def test_ends_that_are_cut_off(name):
    assert codes(name) == ["name_end"]


def test_hidden_long_and_led_by_a_space():
    assert codes(".kick.wav") == ["name_hidden"]
    assert codes(" kick.wav") == ["name_start"]
    assert codes("k" * 96 + ".wav") == []
    assert codes("k" * 97 + ".wav") == ["name_long"]
    assert codes("ö" * 49 + ".wav") == ["name_long"]  # two bytes each in UTF-8


def test_accents_apart_and_bytes_that_are_no_text():
    assert codes(unicodedata.normalize("NFD", "Flöte.wav")) == ["name_accents"]
    assert codes(b"Fl\xf6te.wav".decode(errors="surrogateescape")) == ["name_coding"]


def test_clashes():
    apart = unicodedata.normalize("NFD", "Flöte.wav")
    names = ["Kick.wav", "Flöte.wav", "kick.WAV", apart, "Straße.wav", "STRASSE.wav", "Bass.wav"]
    assert file_names.clashes(names) == [
        ["Kick.wav", "kick.WAV"],
        ["Flöte.wav", apart],
        ["Straße.wav", "STRASSE.wav"],  # Unicode's CaseFolding.txt: ß folds to ss
    ]
