"""A draft changes freely; what is public changes in the open; what is settled does not change."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from academy.packs.models import PackState
from contests import decisions
from contests.drafting import changing
from contests.drafting.changing import ChangeRefused, change_sheet, copy_contest, new_contest
from contests.drafting.checklist import Missing, missing_before_opening, worth_a_thought
from contests.drafting.sheets import SHEETS, why_settled
from contests.hosting import running
from contests.models import Contest, Prize, Sponsor
from contests.states import ContestState
from tests import cast
from tests.contests import stages

pytestmark = pytest.mark.django_db


def rewrite(contest: Contest, **fields):
    """What a form would do."""
    return lambda: Contest.objects.filter(pk=contest.pk).update(**fields)


def change(contest: Contest, name: str, announcement: str = "", **fields):
    return change_sheet(
        contest.pk,
        name,
        rewrite(contest, **fields),
        actor=cast.host(),
        now=cast.NOW,
        announcement=announcement,
    )


class TestChangeSheet:
    def test_a_draft_needs_no_announcement_and_leaves_no_line(self):
        contest = cast.contest(state=ContestState.DRAFT)
        assert change(contest, "words", rules="Two entries each.") == {
            "rules": "One entry each. → Two entries each."
        }
        contest.refresh_from_db()
        assert (contest.rules, contest.rules_version) == ("Two entries each.", 1)
        assert not contest.decisions.exists()

    def test_a_public_contest_needs_one_and_nothing_is_written_without(self):
        contest = cast.contest()
        with pytest.raises(ChangeRefused, match="Say in a sentence"):
            change(contest, "words", brief="Mix it loud.")
        contest.refresh_from_db()
        assert contest.brief == "Mix it."
        assert not contest.decisions.exists()

    def test_it_is_recorded_with_what_was_and_what_is(self):
        contest = cast.contest()
        change(
            contest, "dates", "A holiday came between.", announced_at=contest.announced_at + timedelta(days=1)
        )
        line = contest.decisions.get()
        assert (line.action, line.reason) == (decisions.CHANGED, "A holiday came between.")
        assert "→" in line.details["result"]
        assert decisions.first_broken_line(contest) is None

    def test_a_sponsor_of_whom_only_the_name_is_known_is_a_change_too(self):
        contest = cast.contest()

        def name_one():
            Sponsor.objects.create(contest=contest, name="Wickhouse Lamps")

        with pytest.raises(ChangeRefused, match="Say in a sentence"):
            change_sheet(contest.pk, "sponsors", name_one, actor=cast.host(), now=cast.NOW)
        assert not Sponsor.objects.exists()
        changes = change_sheet(
            contest.pk,
            "sponsors",
            name_one,
            actor=cast.host(),
            now=cast.NOW,
            announcement="One more sponsor.",
        )
        assert changes == {"Wickhouse Lamps": "– → named"}
        assert contest.decisions.get().details == changes

    @pytest.mark.parametrize("fields", [{"rules": "No samples."}, {"eligibility": "I am of age."}])
    def test_what_entrants_agreed_to_gets_a_new_version(self, fields):
        contest = cast.contest()
        change(contest, "words", "Asked for by a sponsor.", **fields)
        contest.refresh_from_db()
        assert contest.rules_version == 2

    def test_other_words_do_not(self):
        contest = cast.contest()
        change(contest, "words", "Said better.", brief="Mix it with care.")
        contest.refresh_from_db()
        assert contest.rules_version == 1

    def test_saying_the_same_again_is_no_change(self):
        contest = cast.contest()
        assert change(contest, "words", brief="Mix it.") == {}
        assert not contest.decisions.exists()

    def test_the_rubric_is_settled_once_judges_score(self):
        stage = stages.judging()
        with pytest.raises(ChangeRefused, match="being judged; this is settled"):
            change(stage.contest, "rubric", "Too late.")

    def test_the_delivery_spec_is_settled_with_the_first_entry(self):
        stage = stages.entered(entrants=["Ansa Merrow"])
        with pytest.raises(ChangeRefused, match="Entries were checked"):
            change(stage.contest, "delivery", "Stricter.", spec_bit_depth=24)
        other = cast.contest()
        change(other, "delivery", "Stricter.", spec_bit_depth=24)
        other.refresh_from_db()
        assert other.spec_bit_depth == 24

    def test_a_published_contest_changes_no_more(self):
        contest = cast.contest(state=ContestState.PUBLISHED)
        assert all(why_settled(contest, sheet) for sheet in SHEETS.values())


class TestNewAndCopied:
    def test_a_new_one_cannot_open_before_it_is_written(self):
        draft = new_contest(title="T", slug="t", pack=cast.pack(), zone="UTC", now=cast.NOW)
        assert missing_before_opening(draft) == [
            Missing("the brief is empty", "words"),
            Missing("the rules are empty", "words"),
            Missing("the rubric has no criterion", "rubric"),
        ]
        with pytest.raises(running.HostingRefused, match="the brief is empty"):
            running.open_contest(draft.pk, actor=cast.host(), now=cast.NOW)

    def test_its_dates_are_noons_of_its_own_clocks(self):
        # NOW is 14 March 2031; summer time in Lisbon from 30 March (Directive 2000/84/EC).
        draft = new_contest(title="T", slug="t", pack=cast.pack(), zone="Europe/Lisbon", now=cast.NOW)
        dates = (draft.opens_at, draft.closes_at, draft.judging_until, draft.announced_at)
        assert dates == tuple(
            datetime(2031, month, day, hour, tzinfo=UTC)
            for month, day, hour in [(3, 21, 12), (4, 18, 11), (5, 2, 11), (5, 4, 11)]
        )

    def test_it_says_what_is_worth_a_thought(self):
        draft = new_contest(title="T", slug="t", pack=cast.pack(), zone="UTC", now=cast.NOW)
        Prize.objects.create(contest=draft, place=1, title="A desk lamp")
        thoughts = " ".join(worth_a_thought(draft))
        for said in ("nobody sits on the panel", "state nothing", "has no value", "no grace"):
            assert said in thoughts
        draft.pack.tier = cast.tier("full", 10)
        assert "some who may enter cannot fetch the tracks" in " ".join(worth_a_thought(draft))
        draft.tier = draft.pack.tier
        assert "cannot fetch the tracks" not in " ".join(worth_a_thought(draft))
        draft.pack.state = PackState.DRAFT
        assert "Its stem pack is not published yet" in " ".join(worth_a_thought(draft))
        draft.grace_minutes = 20
        assert "no grace" not in " ".join(worth_a_thought(draft))

    def test_a_copy_takes_the_words_and_none_of_the_people(self):
        stage = stages.entered(grace_minutes=15, eligibility="I am of age.", spec_highest_lufs=-9.0)
        sponsor = Sponsor.objects.create(contest=stage.contest, name="Tidewater Audio")
        Prize.objects.create(contest=stage.contest, place=1, title="A desk lamp", sponsor=sponsor)
        draft = copy_contest(stage.contest, title="Again", slug="again", now=cast.NOW)
        draft.refresh_from_db()
        assert draft.state == ContestState.DRAFT
        for name in ("words", "delivery", "hearing", "rubric", "sponsors", "prizes"):
            says, said = SHEETS[name].says(draft), SHEETS[name].says(stage.contest)
            assert says == (said | {"title": "Again"} if name == "words" else said), name
        assert draft.prizes.get().sponsor.contest == draft
        assert not draft.entries.exists()
        assert not draft.judges.exists()
        assert draft.opens_at > cast.NOW
        assert draft.closes_at - draft.opens_at == stage.contest.closes_at - stage.contest.opens_at

    def test_every_field_is_either_copied_or_its_own(self):
        own = {"id", "slug", "title", "pack", "zone", "state", "rules_version"}
        dates = {"opens_at", "closes_at", "judging_until", "announced_at", "publish_at"}
        fields = {field.name for field in Contest._meta.fields}
        assert fields == own | dates | set(changing.COPIED)
