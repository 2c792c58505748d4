"""A list of members: what is taken, what is refused and why, and that it is all or nothing."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest
from django.core.management import CommandError, call_command

from academy.letters.models import Letter
from academy.members import importing
from academy.members.memberlists import LARGEST_BYTES, ListRefused, text_of
from academy.members.models import Grant, Member
from tests import cast

pytestmark = pytest.mark.django_db

HEADER = "email,name,tier,starts,ends\n"
GOOD = HEADER + "a@example.org,Ansa,full,2031-01-01,2031-12-31\nb@example.org,Bo,,,\n"


@pytest.fixture(autouse=True)
def full():
    """The tier that the lists name."""
    return cast.tier("full", 10)


def take(text, **said):
    """Import a text."""
    return importing.import_members(text, now=cast.NOW, **said)


def outcomes(report):
    """Line numbers and outcomes."""
    return [(row.line.number, row.outcome) for row in report.rows]


class TestTaking:
    def test_accounts_are_made_and_tiers_given(self):
        report = take(GOOD)
        assert outcomes(report) == [(2, "new"), (3, "new")]
        (grant,) = Member.objects.get(email="a@example.org").grants.all()
        # The end is the last second of the day: the first moment of the next one.
        assert grant.starts_at == datetime(2031, 1, 1, tzinfo=UTC)
        assert grant.ends_at == datetime(2032, 1, 1, tzinfo=UTC)
        assert not Member.objects.get(email="b@example.org").has_usable_password()
        assert not Letter.objects.exists()

    def test_days_begin_and_end_by_the_site_s_clocks(self, settings):
        settings.SITE_ZONE = "Europe/Lisbon"  # summer time from 30 March 2031 (Directive 2000/84/EC)
        take(HEADER + "a@example.org,Ansa,full,2031-03-29,2031-03-31\n")
        grant = Grant.objects.get()
        assert grant.starts_at == datetime(2031, 3, 29, tzinfo=UTC)
        assert grant.ends_at == datetime(2031, 3, 31, 23, tzinfo=UTC)  # midnight of 1 April, by summer time

    def test_doing_it_twice_gives_nothing_twice(self):
        take(GOOD)
        assert outcomes(take(GOOD)) == [(2, "unchanged"), (3, "unchanged")]
        assert (Member.objects.count(), Grant.objects.count()) == (2, 1)

    def test_who_is_here_gets_the_tier_and_keeps_the_name(self):
        member = cast.member("Ansa Merrow")
        report = take(f"tier;email\nFULL;{member.email.upper()}\n")
        member.refresh_from_db()
        assert outcomes(report) == [(2, "granted")]
        assert (member.name, member.grants.get().ends_at) == ("Ansa Merrow", None)

    def test_a_dry_run_writes_nothing(self):
        report = take(GOOD, dry_run=True)
        assert outcomes(report) == [(2, "new"), (3, "new")]
        assert not report.is_taken
        assert not Member.objects.exists()

    def test_new_ones_are_written_to_on_demand_by_a_job(self, work):
        take(GOOD, invite=True)
        assert not Letter.objects.exists()
        work("invite_members")
        work("invite_members")
        assert sorted(Letter.objects.values_list("kind", "address")) == [
            ("invited", "a@example.org"),
            ("invited", "b@example.org"),
        ]

    def test_two_tiers_of_one_new_member_are_two_rows(self):
        cast.tier("studio", 20)
        report = take("email,name,tier\na@example.org,Ansa,full\na@example.org,,studio\n")
        assert outcomes(report) == [(2, "new"), (3, "granted")]
        assert Member.objects.get().grants.count() == 2

    def test_a_time_with_its_offset_is_taken(self):
        take("email,name,tier,starts,ends\na@example.org,A,full,2031-03-01T18:00+01:00,\n")
        assert Grant.objects.get().starts_at == datetime(2031, 3, 1, 17, tzinfo=UTC)

    def test_a_quoted_cell_over_two_lines_keeps_the_count(self):
        report = take('email,name\na@example.org,"Ansa\nMerrow"\nnobody,B\n', dry_run=True)
        assert outcomes(report) == [(2, "new"), (4, "refused")]

    def test_a_tier_is_found_by_its_short_name_in_any_case(self):
        cast.tier("Gold", 30)
        rows = "email,name,tier\na@example.org,A,Gold\nb@example.org,B,gold\nc@example.org,C,FULL\n"
        assert not take(rows).refused


class TestRefusing:
    @pytest.mark.parametrize(
        ("row", "code", "words"),
        [
            ("nobody,N,full,,", "email", "“nobody” is no e-mail address."),
            (",N,full,,", "email", "There is no address."),
            ("c@example.org,,full,,", "name", "A new member needs a name."),
            ("c@example.org,N,gold,,", "tier", "There is no tier “gold”. The tiers: full."),
            ("c@example.org,N,full,14.3.2031,", "dates", "“14.3.2031” in “starts” is no date"),
            ("c@example.org,N,full,,2031-02-29", "dates", "“2031-02-29” in “ends” is no date"),
            ("c@example.org,N,full,2031-05-01T10:00,", "dates", "no time with its offset"),
            ("c@example.org,N,full,2031-05-02,2031-05-01", "dates", "The end is not after the start."),
            ("c@example.org,N,full", "columns", "3 cells, but the header names 5 columns."),
            ("A@example.org,N,full,,", "duplicate", "stand in line 2 already"),
            ("c@example.org," + "N" * 101 + ",full,,", "name", "longer than 100 characters"),
        ],
    )
    def test_a_row_is_named_with_its_line_and_why(self, row, code, words):
        report = take(GOOD + row + "\n")
        (refused,) = report.refused
        assert (refused.line.number, refused.line.trouble.code) == (4, code)
        assert words in refused.line.trouble.words
        assert not report.is_taken
        assert not Member.objects.exists()

    def test_the_good_ones_are_taken_on_demand(self):
        report = take(GOOD + "nobody,N,full,,\n", take_good=True)
        assert report.is_taken
        assert Member.objects.count() == 2

    @pytest.mark.parametrize(
        ("content", "words"),
        [
            (GOOD.encode("utf-16"), "UTF-16"),
            (GOOD.encode("utf-16-le"), "UTF-16"),
            ((HEADER + "a@example.org,Zo\xeb,,,\n").encode("latin-1"), "line 2 holds a byte of Latin-1"),
            (b"a@example.org,Ansa,full,,\n", "Line 1 must name the columns"),
            (b"", "It holds: nothing."),
            (HEADER.encode(), "no rows"),
            (b"email,nmae\na@example.org,A\n", "no column is called \u201cnmae\u201d"),
            (b"email,name,name\na@example.org,A,B\n", "names a column twice"),
            (b'email,name\na@example.org,"A\n', "quotes do not match"),
            (b"email\0,name\n", "no text"),
            (b"x" * (LARGEST_BYTES + 1), "larger than 2 MiB"),
        ],
    )
    def test_what_is_no_list_is_refused_whole(self, content, words):
        with pytest.raises(ListRefused, match=words):
            take(text_of(content))
        assert not Member.objects.exists()

    def test_whoever_joins_at_the_same_moment_stops_it_in_words(self, monkeypatch):
        make = importing._new_members

        def make_after_another(names, **said):
            Member.objects.create_user("a@example.org", "Faster")
            return make(names, **said)

        monkeypatch.setattr(importing, "_new_members", make_after_another)
        with pytest.raises(ListRefused, match="at this very moment"):
            take("email,name\na@example.org,Ansa\n")

    def test_a_byte_order_mark_and_other_separators_are_taken(self):
        assert take(text_of(GOOD.replace(",", ";").encode("utf-8-sig"))).is_taken
        assert outcomes(take(GOOD.replace(",", "\t").replace("\n", "\r\n"))) == [
            (2, "unchanged"),
            (3, "unchanged"),
        ]


class TestCommand:
    def run(self, tmp_path, capsys, content, *words):
        """Call it; exit code, what was said on either stream."""
        path = tmp_path / "list.csv"
        path.write_bytes(content)
        code = 0
        try:
            call_command("import_members", str(path), *words)
        except CommandError as exc:
            code = exc.returncode
        said = capsys.readouterr()
        return code, said.out, said.err

    def test_it_takes_a_list(self, tmp_path, capsys):
        code, out, err = self.run(tmp_path, capsys, GOOD.encode())
        assert (code, Member.objects.count()) == (0, 2)
        assert "line 2: a@example.org, Full: new member" in out
        assert "2 new member." in err

    def test_it_prints_json_and_exits_1_for_a_refused_row(self, tmp_path, capsys):
        code, out, err = self.run(tmp_path, capsys, (GOOD + "nobody,N,,,\n").encode(), "--json")
        lines = [json.loads(line) for line in out.splitlines()]
        assert code == 1
        assert lines[0] == {
            "line": 2,
            "email": "a@example.org",
            "tier": "full",
            "outcome": "new",
            "error": None,
        }
        assert lines[2]["error"] == {"code": "email", "message": "“nobody” is no e-mail address."}
        assert "line 4: nobody" in err
        assert not Member.objects.exists()

    def test_take_good_still_exits_1(self, tmp_path, capsys):
        code, _, _ = self.run(tmp_path, capsys, (GOOD + "nobody,N,,,\n").encode(), "--take-good")
        assert (code, Member.objects.count()) == (1, 2)

    def test_a_dry_run_says_so(self, tmp_path, capsys):
        code, _, err = self.run(tmp_path, capsys, GOOD.encode(), "--dry-run")
        assert (code, Member.objects.count()) == (0, 0)
        assert "this was a dry run" in err

    def test_no_file_is_a_wrong_call(self, tmp_path):
        with pytest.raises(CommandError, match="cannot be read") as refused:
            call_command("import_members", str(tmp_path / "none.csv"))
        assert refused.value.returncode == 2

    def test_another_encoding_exits_1_in_words(self, tmp_path, capsys):
        code, out, _ = self.run(tmp_path, capsys, GOOD.encode("utf-16"))
        assert (code, out) == (1, "")
