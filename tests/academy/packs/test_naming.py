"""File names that every usual system can write."""

from __future__ import annotations

import unicodedata

import pytest

from academy.packs.models import SoundForm
from academy.packs.naming import LONGEST_BYTES, safe_name, stem_filename


class TestSafeName:
    @pytest.mark.parametrize(
        ("wanted", "name"),
        [
            ("Kick in", "Kick in"),
            ("../../etc/passwd", "etc passwd"),
            ("..\\..\\boot.ini", "boot.ini"),
            ("/absolute", "absolute"),
            ('a:b*c?d"e<f>g|h', "a b c d e f g h"),
            ("two\nlines\r\tand\x00more", "two lines and more"),
            ("hidden\u202egpj.exe", "hidden gpj.exe"),  # RIGHT-TO-LEFT OVERRIDE turns endings round
            (".hidden", "hidden"),
            ("ends in dots...", "ends in dots"),
            ("  wide   spaces ", "wide spaces"),
            ("Gitarre – ö", "Gitarre – ö"),
            ("", "stem"),
            ("...", "stem"),
            ("///", "stem"),
        ],
    )
    def test_it_keeps_what_is_harmless(self, wanted, name):
        assert safe_name(wanted, otherwise="stem") == name

    def test_it_counts_bytes_and_never_cuts_a_letter_in_half(self):
        name = safe_name("ö" * 200, otherwise="stem")
        assert name == "ö" * (LONGEST_BYTES // 2)

    def test_composed_and_decomposed_letters_make_one_name(self):
        assert safe_name(unicodedata.normalize("NFD", "Gerät"), otherwise="") == safe_name(
            "Gerät", otherwise=""
        )

    # Microsoft, "Naming Files, Paths, and Namespaces": CON, with any extension, names a device.
    @pytest.mark.parametrize("wanted", ["CON", "nul", "Lpt1.wav"])
    def test_a_name_that_a_system_keeps_for_itself_is_none_any_more(self, wanted):
        assert safe_name(wanted, otherwise="pack") == f"The {wanted}"


class TestStemFilename:
    def test_it_ends_as_the_form_does(self):
        assert stem_filename(3, "Snare: top", SoundForm.WAV) == "03 Snare top.wav"
        assert stem_filename(3, "Snare: top", SoundForm.FLAC) == "03 Snare top.flac"

    def test_names_that_become_alike_stay_apart(self):
        assert stem_filename(1, "a/b", SoundForm.WAV) != stem_filename(2, "a:b", SoundForm.WAV)
