"""The host sets a contest up in the browser's forms; others find nothing there."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from contests.drafting.sheets import SHEETS
from contests.models import Contest, Criterion
from contests.states import ContestState
from tests import cast

pytestmark = pytest.mark.django_db


@pytest.fixture
def desk(client):
    """A browser of a host who is signed in."""
    client.force_login(cast.host())
    return client


@pytest.fixture
def draft() -> Contest:
    return cast.contest(state=ContestState.DRAFT, slug="a-draft")


def sheet(name: str) -> str:
    return f"/contests/hosting/a-draft/set-up/{name}/"


def rows(prefix: str, *filled: dict, initial: int = 0) -> dict:
    """A set of forms as a browser sends it."""
    sent = {f"{prefix}-TOTAL_FORMS": len(filled), f"{prefix}-INITIAL_FORMS": initial}
    for number, row in enumerate(filled):
        sent |= {f"{prefix}-{number}-{name}": value for name, value in row.items()}
    return sent


CRITERION = {
    "name": "Space",
    "meaning": "Depth.",
    "weight": 20,
    "lowest": 1,
    "highest": 10,
    "step": "0.5",
    "position": 3,
}
PRIZE = {"place": 1, "title": "A desk lamp", "value": "40", "currency": "eur", "handing": "shipped"}


class TestWhoMay:
    def test_every_page_is_for_hosts(self, client, draft):
        pages = ["/contests/hosting/new/", "/contests/hosting/a-draft/set-up/", sheet("copy")]
        pages += [sheet(name) for name in SHEETS]
        for page in pages:
            assert client.get(page).status_code == 302, page
        client.force_login(cast.member())
        for page in pages:
            assert client.get(page).status_code == 404, page
            assert client.post(page).status_code == 404, page
        client.force_login(cast.host())
        for page in pages:
            assert client.get(page).status_code == 200, page
        assert client.get(sheet("no-such")).status_code == 404
        assert client.post("/contests/hosting/a-draft/set-up/").status_code == 405


class TestNew:
    def test_a_draft_begins(self, desk):
        pack = cast.pack()
        sent = {"title": "Low Tide", "slug": "low-tide", "pack": pack.pk, "zone": "Europe/Lisbon"}
        response = desk.post("/contests/hosting/new/", sent)
        assert response["Location"] == "/contests/hosting/low-tide/set-up/"
        made = Contest.objects.get(slug="low-tide")
        assert (made.state, made.zone, made.pack) == (ContestState.DRAFT, "Europe/Lisbon", pack)
        page = desk.get(response["Location"]).content.decode()
        assert "The brief is empty." in page

    def test_what_is_missing_leads_to_where_it_is_put_right(self, desk):
        pack = cast.pack()
        pack.reference_mix = None
        pack.save()
        desk.post("/contests/hosting/new/", {"title": "Low Tide", "slug": "", "pack": pack.pk, "zone": "UTC"})
        page = desk.get("/contests/hosting/low-tide/set-up/").content.decode()
        missing = page.split("Before it can open")[1].split("</section>")[0]
        for way in (
            "/contests/hosting/low-tide/set-up/words/",
            "/contests/hosting/low-tide/set-up/rubric/",
            f"/packs/hosting/{pack.slug}/",
        ):
            assert f'href="{way}"' in missing
        assert "/set-up/dates/" not in missing

    def test_the_address_is_made_from_the_title_where_none_is_given(self, desk, draft):
        sent = {"title": "Low Tide, again", "slug": "", "pack": draft.pack.pk, "zone": "UTC"}
        assert desk.post("/contests/hosting/new/", sent)["Location"].startswith(
            "/contests/hosting/low-tide-again/"
        )
        assert "Another contest has this name" in desk.post("/contests/hosting/new/", sent).content.decode()
        response = desk.post("/contests/hosting/new/", sent | {"title": "…"})
        assert "no letters that an address can have" in response.content.decode()
        copied = desk.post(sheet("copy"), {"title": "Low Tide, copied", "slug": ""})
        assert copied["Location"] == "/contests/hosting/low-tide-copied/set-up/"

    def test_zones_that_mislead_are_not_offered(self, desk, draft):
        page = desk.get("/contests/hosting/new/").content.decode()
        assert '<option value="Europe/Lisbon">' in page
        for name in ("localtime", "Factory", "Etc/GMT+5", "EST"):
            assert f'value="{name}"' not in page

    def test_the_zone_is_the_site_s_until_another_is_chosen(self, desk, draft, settings):
        settings.SITE_ZONE = "Europe/Lisbon"
        page = desk.get("/contests/hosting/new/").content.decode()
        assert '<option value="Europe/Lisbon" selected>' in page

    def test_without_a_pack_it_says_what_comes_first(self, desk):
        page = desk.get("/contests/hosting/new/").content.decode()
        assert 'href="/packs/hosting/new/"' in page
        assert "Begin the draft" not in page

    @pytest.mark.parametrize(
        ("field", "value", "sentence"),
        [
            ("slug", "a-draft", "Another contest has this name"),
            ("slug", "hosting", "is an address of the site itself"),
            ("zone", "Mars/Olympus", "not one of the available choices"),
        ],
    )
    def test_what_cannot_be_is_said(self, desk, draft, field, value, sentence):
        sent = {"title": "Low Tide", "slug": "low-tide", "pack": draft.pack.pk, "zone": "UTC"} | {
            field: value
        }
        response = desk.post("/contests/hosting/new/", sent)
        assert response.status_code == 422
        assert sentence in response.content.decode()

    def test_a_copy_begins(self, desk, draft):
        response = desk.post(sheet("copy"), {"title": "Again", "slug": "again"})
        assert response["Location"] == "/contests/hosting/again/set-up/"
        assert Contest.objects.get(slug="again").criteria.count() == 2


class TestGoingOn:
    def test_a_draft_is_filled_in_sheet_after_sheet(self, desk, draft):
        names = list(SHEETS)
        assert (
            f"Keep and go on to {SHEETS[names[2]].title.lower()}" in desk.get(sheet("dates")).content.decode()
        )
        sent = TestDates.WALL | {"further": "1"}
        assert desk.post(sheet("dates"), sent)["Location"] == sheet(names[2])
        assert desk.post(sheet("dates"), TestDates.WALL)["Location"] == "/contests/hosting/a-draft/set-up/"
        assert "Keep and go on" not in desk.get(sheet(names[-1])).content.decode()

    def test_a_public_contest_changes_one_sheet_at_a_time(self, desk):
        cast.contest(slug="a-draft")
        assert "Keep and go on" not in desk.get(sheet("dates")).content.decode()


class TestDates:
    WALL = {
        "zone": "Europe/Lisbon",
        "opens_at": "2031-03-20T09:00",
        "closes_at": "2031-04-20T18:00",
        "grace_minutes": "20",
        "judging_until": "2031-05-01T18:00",
        "announced_at": "2031-05-03T18:00",
    }

    def test_they_are_read_in_the_contests_own_zone(self, desk, draft):
        assert desk.post(sheet("dates"), self.WALL).status_code == 302
        draft.refresh_from_db()
        # Winter time before 30 March 2031, summer time after it (see test_moments).
        assert draft.opens_at == datetime(2031, 3, 20, 9, 0, tzinfo=UTC)
        assert draft.closes_at == datetime(2031, 4, 20, 17, 0, tzinfo=UTC)
        assert draft.grace_minutes == 20

    def test_they_are_shown_as_they_were_typed(self, desk, draft):
        desk.post(sheet("dates"), self.WALL)
        page = desk.get(sheet("dates")).content.decode()
        for name in ("opens_at", "closes_at", "judging_until", "announced_at"):
            assert f'value="{self.WALL[name]}"' in page

    @pytest.mark.parametrize(
        ("field", "value", "sentence"),
        [
            ("closes_at", "2031-03-30T01:30", "never show 01:30"),
            ("closes_at", "2031-03-19T18:00", "has to come after"),
            ("judging_until", "2031-04-20T18:00", "has to come after"),
            ("announced_at", "soon", "Write date and time as"),
        ],
    )
    def test_what_cannot_be_is_said(self, desk, draft, field, value, sentence):
        before = draft.closes_at
        response = desk.post(sheet("dates"), self.WALL | {field: value})
        assert response.status_code == 422
        assert sentence in response.content.decode()
        draft.refresh_from_db()
        assert draft.closes_at == before

    def test_an_announced_close_is_only_put_off(self, desk):
        contest = cast.contest(slug="a-draft")
        later = {
            "closes_at": "2031-03-16T12:00",
            "grace_minutes": 0,
            "zone": "Europe/Lisbon",
            "judging_until": "2031-03-22T12:00",
            "announced_at": "2031-03-24T12:00",
            "announcement": "More time for all.",
        }
        earlier = later | {"closes_at": "2031-03-15T11:59"}
        response = desk.post(sheet("dates"), earlier)
        assert (response.status_code, "put off" in response.content.decode()) == (422, True)
        assert desk.post(sheet("dates"), later).status_code == 302
        contest.refresh_from_db()
        assert contest.closes_at == datetime(2031, 3, 16, 12, 0, tzinfo=UTC)
        page = desk.get("/contests/a-draft/").content.decode()
        assert "More time for all." in page

    def test_a_public_change_without_words_is_refused(self, desk):
        cast.contest(slug="a-draft")
        response = desk.post(sheet("hearing"), {"listening_level_lufs": -20})
        assert response.status_code == 422
        assert "Say what changes and why" in response.content.decode()


class TestRubric:
    def test_a_criterion_is_added_changed_and_removed(self, desk, draft):
        kept, gone = draft.criteria.all()
        row = CRITERION | {"name": kept.name, "meaning": "All heard.", "id": kept.pk}
        removed = CRITERION | {"name": gone.name, "id": gone.pk, "DELETE": "on"}
        sent = rows("criteria", row, removed, CRITERION, initial=2)
        assert desk.post(sheet("rubric"), sent).status_code == 302
        assert [(one.name, one.meaning) for one in draft.criteria.order_by("pk")] == [
            ("Balance", "All heard."),
            ("Space", "Depth."),
        ]

    @pytest.mark.parametrize(
        ("wrong", "sentence"),
        [
            ({"weight": 0}, "weighs more than 0"),
            ({"lowest": 10}, "has to lie above the lowest"),
            ({"step": "0.4"}, "has to lead from the lowest"),
        ],
    )
    def test_a_scale_that_cannot_be_is_said(self, desk, draft, wrong, sentence):
        response = desk.post(sheet("rubric"), rows("criteria", CRITERION | wrong))
        assert (response.status_code, sentence in response.content.decode()) == (422, True)
        assert Criterion.objects.filter(contest=draft).count() == 2


def as_shown(form) -> dict:
    """What a browser sends of a sheet's list that nobody touched."""
    sent = {field.html_name: field.value() for field in form.management_form}
    for line in form:
        for field in line:
            value = field.value()
            if value not in (None, False):
                sent[field.html_name] = "on" if value is True else value
    return sent


class TestLists:
    @pytest.mark.parametrize("name", ["rubric", "rounds", "sponsors", "prizes"])
    def test_lines_that_nobody_touched_are_none(self, desk, name):
        pack = cast.pack()
        desk.post("/contests/hosting/new/", {"title": "A draft", "pack": pack.pk, "zone": "UTC"})
        sent = as_shown(desk.get(sheet(name)).context["form"])
        assert desk.post(sheet(name), sent).status_code == 302
        made = Contest.objects.get(slug="a-draft")
        assert not any(lines.exists() for lines in (made.criteria, made.rounds, made.sponsors, made.prizes))

    def test_one_criterion_is_enough_and_a_further_one_comes_last(self, desk):
        desk.post("/contests/hosting/new/", {"title": "A draft", "pack": cast.pack().pk, "zone": "UTC"})
        for name in ("Balance", "Tone"):
            form = desk.get(sheet("rubric")).context["form"]
            first = f"criteria-{form.initial_form_count()}"
            written = {f"{first}-name": name, f"{first}-meaning": "Heard.", f"{first}-weight": 1}
            assert desk.post(sheet("rubric"), as_shown(form) | written).status_code == 302
        made = Contest.objects.get(slug="a-draft").criteria
        assert list(made.values_list("name", "position")) == [("Balance", 1), ("Tone", 2)]

    def test_only_a_line_that_is_there_can_be_removed(self, desk, draft):
        page = desk.get(sheet("rubric")).content.decode()
        assert page.count("Remove it") == draft.criteria.count() == 2


class TestPrizes:
    def test_one_with_a_value(self, desk, draft):
        assert desk.post(sheet("prizes"), rows("prizes", PRIZE)).status_code == 302
        prize = draft.prizes.get()
        assert (prize.place, str(prize.value), prize.currency, prize.handing) == (
            1,
            "40.00",
            "EUR",
            "shipped",
        )

    def test_one_that_winners_choose_is_told_so(self, desk, draft):
        sent = PRIZE | {"place": "", "is_choice": "on"}
        assert desk.post(sheet("prizes"), rows("prizes", sent)).status_code == 302
        prize = draft.prizes.get()
        assert (prize.place, prize.is_choice, prize.is_for) == (None, True, "To be chosen")
        assert SHEETS["prizes"].says(draft) == {
            "to be chosen": "A desk lamp, EUR\N{NO-BREAK SPACE}40.00, sent by post"
        }

    @pytest.mark.parametrize(
        ("wrong", "sentence"),
        [
            ({"special": "Best low end"}, "either a place or"),
            ({"place": ""}, "either a place or"),
            ({"is_choice": "on"}, "either a place or"),
            ({"currency": ""}, "needs its currency"),
            ({"currency": "euros"}, "at most 3"),
            ({"value": ""}, "needs a value"),
            ({"value": "-1"}, "0 or more"),
        ],
    )
    def test_what_cannot_be_is_said(self, desk, draft, wrong, sentence):
        response = desk.post(sheet("prizes"), rows("prizes", PRIZE | wrong))
        assert (response.status_code, sentence in response.content.decode()) == (422, True)

    def test_another_contests_sponsor_is_not_to_be_had(self, desk, draft):
        other = cast.contest().sponsors.create(name="Elsewhere")
        response = desk.post(sheet("prizes"), rows("prizes", PRIZE | {"sponsor": other.pk}))
        assert response.status_code == 422


class TestDelivery:
    def test_empty_asks_for_nothing(self, desk, draft):
        assert desk.post(sheet("delivery"), {"spec_channels": 2}).status_code == 302
        draft.refresh_from_db()
        assert (draft.spec_sample_rate_hz, draft.spec_highest_lufs) == (None, None)

    def test_a_window_of_loudness(self, desk, draft):
        sent = {"spec_channels": 2, "spec_lowest_lufs": "-16", "spec_highest_lufs": "-12"}
        assert desk.post(sheet("delivery"), sent).status_code == 302
        page = desk.get("/contests/a-draft/").content.decode()
        assert "−16.0\u00a0LUFS to −12.0\u00a0LUFS" in page
        sent["spec_highest_lufs"] = "-16"
        assert "above the least" in desk.post(sheet("delivery"), sent).content.decode()
