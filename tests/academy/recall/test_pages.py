"""The readers' pages: for the right person, the wrong one, nobody, and the wrong method."""

from __future__ import annotations

import json
import re

import pytest

from academy.packs.models import PackState
from academy.recall import sheets
from academy.recall.models import RecallSheet
from academy.recall.reading import read_sheet
from tests import cast
from tests.academy.recall import making

pytestmark = pytest.mark.django_db

PAGE = "/recall/two-bus/"
PAGES = [
    *(PAGE, PAGE + "difference/", PAGE + "versions/1/", PAGE + "versions/1/print/"),
    *(PAGE + "versions/1/export/text/", PAGE + "versions/1/export/json/"),
]


@pytest.fixture
def row() -> RecallSheet:
    """A shown sheet of a pack of the tier Full, in two versions."""
    made = sheets.create_sheet(
        read_sheet(making.TWO_BUS), pack=cast.pack(title="The tracks", tier=cast.tier("full"))
    )
    sheets.keep_version(made, note="First.", seen=1, host=cast.host(), now=cast.NOW)
    changed = read_sheet(making.TWO_BUS.replace("attack 15 ms", "attack 30 ms"))
    sheets.change_draft(made, lambda _: changed, seen=1)
    sheets.keep_version(made, note="Slower.", seen=2, host=None, now=cast.NOW)
    sheets.show(made)
    return made


class TestAccess:
    def test_whoever_may_open_the_pack_may_read_it(self, client, row):
        client.force_login(cast.member(tier=cast.tier("full")))
        assert [client.get(page).status_code for page in PAGES] == [200] * len(PAGES)

    def test_nobody_else_finds_it(self, client, row):
        for person in (None, cast.member(), cast.member(tier=cast.tier("low", 1))):
            if person:
                client.force_login(person)
            assert [client.get(page).status_code for page in PAGES] == [404] * len(PAGES)

    def test_what_is_not_shown_of_a_draft_pack_or_of_none_is_a_host_s_alone(self, client, row):
        member = cast.member(tier=cast.tier("full"))
        for change in ("hide", "draft", "no pack"):
            RecallSheet.objects.update(
                is_shown=change != "hide", pack=None if change == "no pack" else row.pack
            )
            row.pack.state = PackState.DRAFT if change == "draft" else PackState.PUBLISHED
            row.pack.save()
            client.force_login(member)
            assert client.get(PAGE).status_code == 404, change
            client.force_login(cast.host())
            assert client.get(PAGE).status_code == 200, change

    def test_they_take_no_post(self, client, row):
        client.force_login(cast.host())
        assert [client.post(page).status_code for page in PAGES] == [405] * len(PAGES)

    def test_what_is_not_there_is_404(self, client, row):
        client.force_login(cast.host())
        for wrong in ("/recall/no/", PAGE + "versions/3/", PAGE + "versions/1/export/pdf/"):
            assert client.get(wrong).status_code == 404
        for wrong in ("?from=9", "?to=x", "?to=99999999999"):
            assert client.get(PAGE + "difference/" + wrong).status_code == 404


class TestList:
    def test_everybody_sees_what_there_is_and_what_opens_it(self, client, row):
        html = client.get("/recall/").content.decode()
        assert "The tracks" in html
        assert "locked: Full opens it" in html
        assert PAGE not in html
        client.force_login(cast.member(tier=cast.tier("full")))
        assert f'href="{PAGE}"' in client.get("/recall/").content.decode()

    def test_what_is_not_shown_is_not_listed(self, client, row):
        sheets.hide(row)
        assert "There is no recall sheet yet" in client.get("/recall/").content.decode()

    def test_the_number_of_queries_does_not_grow(self, client, row, django_assert_num_queries):
        for _ in range(5):
            more = sheets.duplicate(row)
            sheets.keep_version(more, note="", seen=1, host=None, now=cast.NOW)
            sheets.show(more)
        with django_assert_num_queries(2):
            assert client.get("/recall/").content.decode().count("locked:") == 6


class TestSheet:
    @pytest.fixture(autouse=True)
    def reader(self, client, row):
        client.force_login(cast.member(tier=cast.tier("full")))

    def test_it_shows_the_last_version_with_its_curves(self, client):
        html = client.get(PAGE).content.decode()
        for words in [
            "Version 2: Slower.",
            "attack",
            "30\u00a0ms",
            "It holds the choruses together.",
            "bypassed",
        ]:
            assert words in html
        assert html.count('role="img"') == 6
        assert html.count("<summary>The numbers</summary>") == 6
        assert "Audio EQ Cookbook" in html
        assert "15\u00a0ms" in client.get(PAGE + "versions/1/").content.decode()

    def test_its_pictures_hold_nothing_that_the_policy_blocks(self, client):
        html = client.get(PAGE).content.decode()
        main = html[html.index("<main") : html.index("</main>")]
        assert not re.search(r"\sstyle=|<style|<script|\sid=\"[^m]", main)

    def test_what_a_teacher_types_is_never_taken_for_a_tag(self, client, row):
        text = making.TWO_BUS.replace("Gentle bus compressor", "<b>loud</b>").replace(
            "lets the", "<i>lets</i> the"
        )
        sheets.change_draft(row, lambda _: read_sheet(text), seen=row.draft_number)
        sheets.keep_version(row, note="<u>", seen=row.draft_number, host=None, now=cast.NOW)
        for page in (PAGE, PAGE + "difference/", PAGE + "versions/3/print/"):
            html = client.get(page).content.decode()
            assert "&lt;b&gt;loud" in html
            assert not [tag for tag in ("<b>", "<i>", "<u>") if tag in html]

    def test_the_difference_names_what_changed_and_nothing_else(self, client):
        html = client.get(PAGE + "difference/").content.decode()
        assert "attack 15\u00a0ms" in html
        assert "attack 30\u00a0ms" in html
        assert "release" not in html
        assert "Nothing differs" in client.get(PAGE + "difference/?from=2&to=2").content.decode()

    def test_it_is_handed_out_as_text_and_as_json(self, client, row):
        last = row.versions.last().content_sheet()
        text = client.get(PAGE + "versions/2/export/text/")
        assert text["Content-Disposition"] == 'attachment; filename="two-bus-version-2.txt"'
        assert read_sheet(text.content.decode()) == last
        assert json.loads(client.get(PAGE + "versions/2/export/json/").content) == row.versions.last().content

    def test_the_number_of_queries_does_not_grow_with_the_versions(
        self, client, row, django_assert_max_num_queries
    ):
        for number in range(4):
            sheets.change_draft(
                row,
                lambda _, n=number: read_sheet(making.TWO_BUS.replace("15 ms", f"{n + 1} ms")),
                seen=row.draft_number,
            )
            sheets.keep_version(row, note="", seen=row.draft_number, host=None, now=cast.NOW)
        with django_assert_max_num_queries(6):  # session, member, grants, sheet, last version, versions
            assert client.get(PAGE).status_code == 200
