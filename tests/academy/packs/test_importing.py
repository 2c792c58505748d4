"""A folder of raw tracks becomes a pack, whole or not at all."""

from __future__ import annotations

import io
import json
import os
from pathlib import Path

import pytest
from django.conf import settings
from django.core.management import CommandError, call_command

from academy.packs.importing import stem_names, tracks_in
from academy.packs.models import PackState, StemPack
from analysis import audiofile
from analysis.intake.models import Recording
from analysis.jobs.models import Job
from tests import cast

pytestmark = pytest.mark.django_db


@pytest.fixture
def folder(tmp_path) -> Path:
    """Three tracks, a paper, and a hidden file."""
    made = tmp_path / "tracks"
    made.mkdir()
    for number, name in [(1, "01 Kick"), (2, "2_Bass"), (10, "10 - Voice")]:
        audiofile.write_wav(
            made / f"{name}.wav",
            [cast.tone(seconds=0.5, level=0.01 * number)],
            rate_hz=48_000,
            channels=2,
            subtype="PCM_24",
        )
    (made / "notes.txt").write_text("Bring tea.")
    (made / ".hidden").write_bytes(b"x")
    return made


@pytest.fixture
def terms(tmp_path) -> Path:
    path = tmp_path / "terms.md"
    path.write_text("Practice only.")
    return path


def run(folder: Path, terms: Path, *more: str) -> tuple[str, str]:
    """The command's standard output and error."""
    out, err = io.StringIO(), io.StringIO()
    asked = [str(folder), "--title", "Harbour Light", "--terms", str(terms), *more]
    call_command("import_pack", *asked, stdout=out, stderr=err)
    return out.getvalue(), err.getvalue()


def files_on_the_shelf() -> int:
    """How many files are kept."""
    return sum(path.is_file() for path in (settings.DATA_DIR).rglob("*") if "incoming" not in path.parts)


class TestOrderAndNames:
    def test_numbers_count_as_numbers(self, folder):
        assert [path.name for path in tracks_in(folder)] == ["01 Kick.wav", "2_Bass.wav", "10 - Voice.wav"]

    def test_leading_numbers_go_where_that_leaves_all_different(self, folder):
        assert list(stem_names(tracks_in(folder)).values()) == ["Kick", "Bass", "Voice"]
        alike = [Path("1 Voice.wav"), Path("2 voice.wav"), Path("808.wav")]
        assert list(stem_names(alike).values()) == ["1 Voice", "2 voice", "808"]

    def test_the_reference_is_no_stem(self, folder):
        left = tracks_in(folder, leave_out=folder / "10 - Voice.wav")
        assert [path.name for path in left] == ["01 Kick.wav", "2_Bass.wav"]


class TestCommand:
    def test_it_makes_a_draft(self, folder, terms):
        out, err = run(folder, terms, "--tempo", "96.5", "--key", "D minor")
        pack = StemPack.objects.get(slug="harbour-light")
        assert (pack.state, str(pack.tempo_bpm), pack.key, pack.terms) == (
            PackState.DRAFT,
            "96.50",
            "D minor",
            "Practice only.",
        )
        assert [stem.name for stem in pack.stems.all()] == ["Kick", "Bass", "Voice"]
        assert "01 Kick.wav: Kick" in out
        # The three hold one tone at three levels.
        assert "warning: 10 - Voice.wav: It is the same sound as “2_Bass.wav”" in err
        assert "note: the set: All stems at unity sum to " in err
        assert Job.objects.filter(kind="audit_pack", subject=str(pack.pk)).exists()
        assert "/packs/harbour-light/" in err

    def test_it_publishes_and_takes_a_reference_when_asked(self, folder, terms):
        tier, host = cast.tier("full"), cast.host()
        out, _ = run(
            folder,
            terms,
            *("--tier", "full", "--owner", host.email.upper(), "--publish", "--json"),
            *("--reference", str(folder / "10 - Voice.wav")),
        )
        pack = StemPack.objects.get()
        assert (pack.state, pack.tier) == (PackState.PUBLISHED, tier)
        assert pack.reference_mix.original_name == "10 - Voice.wav"
        assert [json.loads(line)["stem"] for line in out.splitlines()] == ["Kick", "Bass", None]
        assert set(Recording.objects.values_list("owner", flat=True)) == {host.pk}

    def test_one_refused_file_refuses_all_and_nothing_is_kept(self, folder, terms):
        (folder / "3 Guitar.mp3").write_bytes(b"ID3" + bytes(2000))
        before = files_on_the_shelf()
        out, err = io.StringIO(), io.StringIO()
        with pytest.raises(
            CommandError, match="1 of 4 files were refused, so nothing was imported"
        ) as refused:
            call_command(
                "import_pack", str(folder), title="A", terms=terms, json=True, stdout=out, stderr=err
            )
        assert refused.value.returncode == 1
        lines = [json.loads(line) for line in out.getvalue().splitlines()]
        assert [line["error"] is None for line in lines] == [True, True, False, True]
        assert "3 Guitar.mp3" in err.getvalue()
        assert not StemPack.objects.exists()
        assert not Recording.objects.exists()
        assert files_on_the_shelf() == before

    def test_a_stem_named_in_another_encoding_is_shown_as_far_as_can_be(self, folder, terms):
        (folder / "10 - Voice.wav").rename(folder / os.fsdecode(b"4 Gr\xfcn.wav"))
        out, _ = run(folder, terms)
        assert out.encode().decode().splitlines()[-1] == "4 Gr\ufffdn.wav: Gr\ufffdn"
        assert [stem.name for stem in StemPack.objects.get().stems.all()] == ["Kick", "Bass", "Gr\ufffdn"]

    def test_a_reference_named_so_is_shown_as_far_as_can_be(self, folder, terms):
        odd = folder / os.fsdecode(b"4 Gr\xfcn.wav")
        (folder / "10 - Voice.wav").rename(odd)
        run(folder, terms, "--reference", str(odd))
        assert StemPack.objects.get().reference_mix.original_name == "4 Gr\ufffdn.wav"

    def test_a_taken_address_is_refused_and_nothing_is_kept(self, folder, terms):
        run(folder, terms)
        before = files_on_the_shelf()
        with pytest.raises(CommandError, match="already") as refused:
            run(folder, terms)
        assert refused.value.returncode == 1
        assert files_on_the_shelf() == before
        assert Recording.objects.count() == 3

    def test_an_empty_folder_is_refused(self, tmp_path, terms):
        (tmp_path / "empty").mkdir()
        with pytest.raises(CommandError, match="no track") as refused:
            run(tmp_path / "empty", terms)
        assert refused.value.returncode == 1

    @pytest.mark.parametrize(
        ("more", "words"),
        [
            (("--tier", "gold"), "There is no tier “gold”. The tiers: none yet."),
            (("--owner", "nobody@example.org"), "No member has the address"),
            (("--notes", "/nowhere/notes.md"), "No such file"),
            (("--tempo", "fast"), "no tempo"),
        ],
    )
    def test_a_wrong_call_says_what_is_wrong(self, folder, terms, more, words):
        with pytest.raises(CommandError, match=words):
            run(folder, terms, *more)
        assert not StemPack.objects.exists()

    def test_what_is_no_folder_or_no_text_is_called_so(self, folder, terms, tmp_path):
        with pytest.raises(CommandError, match="is no folder") as refused:
            run(terms, terms)
        assert refused.value.returncode == 2
        terms.write_bytes(b"\xff\xfe\x00")
        with pytest.raises(CommandError, match="no UTF-8 text") as refused:
            run(folder, terms)
        assert refused.value.returncode == 2
