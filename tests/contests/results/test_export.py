"""An export holds all that a result rests on, and no alteration of it goes unseen."""

from __future__ import annotations

import base64
import json
import random
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from contests import signing
from contests.models import Assignment, JudgingSession
from contests.results import publishing
from contests.results.exporting import SEAL, as_text, export_of
from contests.results.publishing import ResultRefused
from contests.results.recounting import NoExport, recount
from contests.scoring.sheets import Score, ScoreTable
from contests.scoring.standing import rank
from tests import cast, commands
from tests.contests import stages
from tests.contests.results.test_standings import BY_HAND, CATALYST
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db


def exported(table=CATALYST) -> tuple[bytes, stages.Stage]:
    stage, _ = stages.judged_by_table(table)
    publishing.decide_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
    stage.reread()
    return export_of(stage.contest), stage


def resealed(content: dict) -> bytes:
    """The content as somebody writes it who has a key, but not the site's."""
    key = Ed25519PrivateKey.generate()
    content = {name: part for name, part in content.items() if name != SEAL}
    signature = base64.b64encode(key.sign(as_text(content).encode())).decode()
    public = key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)
    return as_text(
        content | {SEAL: {"key": base64.b64encode(public).decode(), "signature": signature}}
    ).encode()


class TestExport:
    def test_it_needs_a_decided_result(self):
        stage, _ = stages.judged_by_table(CATALYST)
        with pytest.raises(ResultRefused, match="Decide it first"):
            export_of(stage.contest)

    def test_it_names_nobody(self):
        text, stage = exported()
        for member in [stage.host, *(entry.member for entry in stage.entries)]:
            assert member.name not in text.decode()
            assert member.email not in text.decode()
        for judge in stage.judges:
            assert judge.member.name not in text.decode()

    def test_the_published_example_can_be_computed_from_it_by_other_means(self):
        # Montgomery's catalysts (see test_standings): the scores in the file give the published means.
        text, _ = exported()
        content = json.loads(text)
        receipts = {entry["entry"]: entry["receipt"] for entry in content["entries"]}
        scores = tuple(
            Score(receipts[hearing["entry"]], hearing["judge"], name, float(score))
            for hearing in content["hearings"]
            for name, score in hearing["scores"].items()
        )
        adjusted = sorted(row.adjusted for row in rank(ScoreTable(scores)).entries)
        assert adjusted == pytest.approx([71.375, 71.625, 72.0, 75.0])

    def test_private_words_stay_out(self):
        text, _ = exported()
        assert b"Private" not in text
        assert b"Comment" not in text


def listened(stage: stages.Stage) -> None:
    """Two mixes of the first judge heard in one session, the second of them first; nothing of the others."""
    judge = stage.judges[0]
    first, second = Assignment.objects.filter(judge=judge).order_by("position")[:2]
    session = JudgingSession.objects.create(
        round=first.round, judge=judge, number=1, begun_at=cast.NOW, heard_at=cast.NOW, heard_s=98.5
    )
    for hearing, seconds, plays, at in ((first, 61.04, 3, 2), (second, 37.5, 1, 1)):
        hearing.heard_s, hearing.plays = seconds, plays
        hearing.session, hearing.session_position = session, at
        hearing.save()


@pytest.fixture
def with_listening() -> tuple[dict, stages.Stage]:
    """The content of an export of a contest in which something was heard, and the contest."""
    stage, _ = stages.judged_by_table(CATALYST)
    listened(stage)
    publishing.decide_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
    stage.reread()
    return json.loads(export_of(stage.contest)), stage


class TestListening:
    def test_each_hearing_has_what_was_told_of_it(self, with_listening):
        content, stage = with_listening
        keys = ("judge", "position", "heard_s", "plays", "session", "session_position")
        mine = [[one[key] for key in keys] for one in content["hearings"]]
        judge = str(stage.judges[0].pk)
        assert mine[:3] == [
            [judge, 0, 61.0, 3, 1, 2],
            [judge, 1, 37.5, 1, 1, 1],
            [judge, 2, 0.0, 0, None, None],
        ]

    def test_the_round_has_the_length_of_its_copies(self):
        content = json.loads(export_of(stages.decided().contest))
        assert content["rounds"][0]["copy_s"] == pytest.approx(stages.SECONDS, abs=0.05)
        by_table = json.loads(exported()[0])  # nobody plays anything there
        assert by_table["rounds"][0]["copy_s"] is None

    def test_it_says_neither_when_a_session_began_nor_how_long_it_was(self, with_listening):
        content, _ = with_listening
        assert "98.5" not in as_text(content)
        assert "begun" not in as_text(content)

    def test_it_recounts(self, with_listening):
        content, _ = with_listening
        assert recount(as_text(content).encode()).problems == []

    @pytest.mark.parametrize(
        ("key", "value"), [("heard_s", 61.1), ("plays", 4), ("session", 2), ("session_position", 3)]
    )
    def test_an_altered_number_breaks_the_log_though_signed_anew(self, with_listening, key, value):
        content, _ = with_listening
        content["hearings"][0][key] = value
        assert recount(resealed(content)).problems == [
            "How the judges listened is not what the decision log recorded."
        ]

    def test_a_number_taken_out_is_seen(self, with_listening):
        content, _ = with_listening
        del content["hearings"][0]["plays"]
        with pytest.raises(NoExport, match="plays"):
            recount(resealed(content))


class TestRecount:
    @pytest.mark.parametrize("table", [CATALYST, BY_HAND])
    def test_an_untouched_export_agrees(self, table):
        text, stage = exported(table)
        found = recount(text)
        assert found.problems == []
        assert {found.receipts[row.entry] for row in found.standing.entries} == {
            entry.receipt for entry in stage.entries
        }

    def test_no_single_letter_can_be_changed(self):
        text, _ = exported()
        places = random.Random(3)
        unseen = []
        for _ in range(150):
            at = places.randrange(len(text))
            other = places.choice([letter for letter in b"0123456789ax. " if letter != text[at]])
            altered = text[:at] + bytes([other]) + text[at + 1 :]
            try:
                if not recount(altered).problems:
                    unseen.append((at, altered[at - 20 : at + 20]))
            except NoExport:
                pass
        assert unseen == []

    def test_a_score_changed_and_signed_anew_still_shows(self):
        content = json.loads(exported()[0])
        hearing = content["hearings"][0]
        criterion = next(iter(hearing["scores"]))
        hearing["scores"][criterion] = str(float(hearing["scores"][criterion]) + 1)
        problems = recount(resealed(content)).problems
        assert any("the recount says" in line for line in problems)
        assert not any("signature" in line for line in problems)

    def test_a_standing_changed_with_its_score_breaks_the_log(self):
        content = json.loads(exported()[0])
        content["standing"]["entries"][0]["adjusted"] += 1e-12  # less than arithmetic may differ by
        assert recount(resealed(content)).problems == [
            "The standing is not the one that the decision log recorded."
        ]

    def test_swapped_places_are_seen(self):
        content = json.loads(exported()[0])
        first, second = content["entries"][:2]
        first["place"], second["place"] = second["place"], first["place"]
        assert recount(resealed(content)).problems == [
            "The places of the entries are not those that the decision log recorded."
        ]

    def test_a_line_taken_out_of_the_log_is_seen(self):
        content = json.loads(exported()[0])
        del content["decisions"][0]
        assert "broken at line 1" in recount(resealed(content)).problems[0]

    def test_a_score_off_the_scale_is_named(self):
        content = json.loads(exported()[0])
        content["rubric"][0]["highest"] = "74"
        assert any("75.00 for Mix is off the scale" in line for line in recount(resealed(content)).problems)

    @pytest.mark.parametrize(
        ("text", "sentence"),
        [
            (b"", "not JSON"),
            (b"\xff\xfe", "not JSON"),
            (b"[" * 100_000, "not JSON"),
            (b"[]", "no contest export"),
            (b'{"kind": "contest export", "version": 9}', "of version 9"),
            (b'{"kind": "contest export", "version": 1, "entries": 7}', "missing or unreadable"),
        ],
    )
    def test_other_files_are_refused_in_words(self, text, sentence):
        with pytest.raises(NoExport, match=sentence):
            recount(text)


class TestVersion1:
    """A file that the site wrote when it exported version 1: one kind of round, no repeats, no verdicts.

    It is kept as that program wrote it, of Montgomery's catalysts (see test_standings).
    """

    text = (Path(__file__).parent / "export_version_1.json").read_bytes()

    def test_it_is_of_the_old_shape(self):
        content = json.loads(self.text)
        assert content["version"] == 1
        assert "rounds" not in content
        assert not {"repeat", "verdict"} & set(content["hearings"][0])

    def test_it_still_recounts(self):
        found = recount(self.text)
        assert found.problems == []
        adjusted = sorted(row.adjusted for row in found.standing.entries)
        assert adjusted == pytest.approx([71.375, 71.625, 72.0, 75.0])
        assert sorted(row.place for row in found.standing.entries) == [1, 2, 3, 4]

    def test_an_alteration_of_it_is_seen(self):
        content = json.loads(self.text)
        content["hearings"][0]["scores"]["Mix"] = "99.00"
        assert any("the recount says" in line for line in recount(resealed(content)).problems)

    def test_it_is_not_taken_for_a_newer_one(self):
        """The number of the version is under the signature as well."""
        altered = self.text.replace(b'"version": 1', b'"version": 2', 1)
        assert any("signature does not fit" in line for line in recount(altered).problems)


class TestBeforeListening:
    """A file of version 2 from before exports told how judges listened, as the site wrote it then."""

    text = (Path(__file__).parent / "export_before_listening.json").read_bytes()

    def test_it_is_of_the_old_shape(self):
        content = json.loads(self.text)
        assert content["version"] == 2
        assert not {"heard_s", "plays", "session", "session_position"} & set(content["hearings"][0])
        assert "listening_sha256" not in content["decisions"][-1]["details"]

    def test_it_still_recounts(self):
        found = recount(self.text)
        assert found.problems == []
        assert sorted(row.place for row in found.standing.entries) == [1, 2, 3, 4]

    def test_the_keys_of_then_are_still_there_in_their_order(self):
        """Outsiders read them: nothing was taken away or renamed."""
        then, now = json.loads(self.text), json.loads(exported()[0])
        assert list(now) == list(then)
        for part in ("hearings", "rounds"):
            keys = list(then[part][0])
            assert [key for key in now[part][0] if key in keys] == keys


class TestPages:
    def test_the_host_fetches_the_same_file(self, client):
        text, stage = exported()
        client.force_login(stage.host)
        response = client.get(f"/contests/results/{stage.contest.slug}/export.json")
        assert response.content == text
        assert "attachment" in response["Content-Disposition"]

    def test_nobody_else_finds_it(self, client):
        _, stage = exported()
        address = f"/contests/results/{stage.contest.slug}/export.json"
        assert client.get(address).status_code in {302, 404}
        for member in (stage.entries[0].member, stage.judges[0].member):
            client.force_login(member)
            assert client.get(address).status_code == 404

    def test_there_is_none_before_the_decision(self, client):
        stage, _ = stages.judged_by_table(CATALYST)
        client.force_login(stage.host)
        assert client.get(f"/contests/results/{stage.contest.slug}/export.json").status_code == 404

    def test_the_result_shows_what_a_true_export_is_signed_with(self, client):
        text, stage = exported()
        publishing.publish_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        page = client.get(f"/contests/results/{stage.contest.slug}/").content.decode()
        assert signing.short_form(json.loads(text)[SEAL]["key"]) in page
        log = json.loads(text)["decisions"]
        assert next(line["hash"] for line in log if line["action"] == "result decided")[-16:] in page


class TestCommands:
    @pytest.fixture
    def run(self, capsys):
        return lambda *words: commands.call(capsys, *words)

    def test_export_and_recount_print_the_same_standing(self, run, tmp_path: Path):
        _, stage = exported()
        file = tmp_path / "out.json"
        status, out, err = run("export", stage.contest.slug, file)
        assert (status, out) == (0, "")
        assert "signed with the key" in err
        status, out, err = run("recount", file, "--json")
        assert status == 0
        rows = [json.loads(line) for line in out.splitlines()]
        best = stage.contest.results.get(place=1).entry.receipt
        assert (rows[0]["entry"], rows[0]["place"]) == (best, 1)
        assert rows[-1]["summary"] is True

    def test_one_digit_is_enough(self, run, tmp_path: Path):
        text, _ = exported()
        file = tmp_path / "out.json"
        file.write_bytes(text.replace(b'"75.00"', b'"76.00"', 1))
        status, _, err = run("recount", file)
        assert status == 1
        assert "The signature does not fit" in err

    def test_a_file_is_never_written_over(self, run, tmp_path: Path):
        _, stage = exported()
        file = tmp_path / "out.json"
        file.write_text("mine")
        status, _, err = run("export", stage.contest.slug, file)
        assert (status, file.read_text()) == (1, "mine")
        assert "exists already" in err

    def test_unknown_things_are_named(self, run, tmp_path: Path):
        status, _, err = run("export", "no-such", tmp_path / "x")
        assert status == 1
        assert "There is no contest “no-such”" in err
        status, _, err = run("recount", tmp_path / "nothing")
        assert status == 1
        assert "cannot be read" in err
