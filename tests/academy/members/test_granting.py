"""Give tiers and end them; invitation codes; what the pages say about it."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest
from django.db import IntegrityError

from academy.letters.models import Letter
from academy.members import codes, granting, sweeping
from academy.members.access import may_open
from academy.members.codes import CodeRefused, as_kept
from academy.members.granting import GrantRefused
from academy.members.models import Grant, GrantSource, InvitationCode
from tests import cast
from tests.academy.members.post import letters_to

pytestmark = pytest.mark.django_db

DAY = timedelta(days=1)


def give(member, tier, *, days=30, starts_at=cast.NOW):
    """A grant of so many days; None is without end."""
    ends_at = None if days is None else starts_at + days * DAY
    return granting.give(
        member, tier, starts_at=starts_at, ends_at=ends_at, source=GrantSource.HOST, now=cast.NOW
    )


class TestGranting:
    def test_an_end_before_the_start_is_refused(self):
        with pytest.raises(GrantRefused, match="not after the start"):
            give(cast.member(), cast.tier(), days=0)
        assert not Grant.objects.exists()

    def test_ending_early_keeps_the_history(self):
        member, tier, host = cast.member(), cast.tier(), cast.host()
        grant = give(member, tier)
        granting.end(grant, reason="Asked for it.", ended_by=host, now=cast.NOW + DAY)
        grant.refresh_from_db()
        assert (grant.ends_at, grant.was_to_end_at) == (cast.NOW + DAY, cast.NOW + 30 * DAY)
        assert (grant.ended_reason, grant.ended_by, grant.ended_early_at) == (
            "Asked for it.",
            host,
            cast.NOW + DAY,
        )
        assert may_open(member, tier, cast.NOW)
        assert not may_open(member, tier, cast.NOW + DAY)
        assert letters_to(member.email) == ["membership-given", "membership-ended"]

    def test_one_yet_to_come_never_begins(self):
        member, tier = cast.member(), cast.tier()
        grant = give(member, tier, starts_at=cast.NOW + 5 * DAY)
        granting.end(grant, reason="No.", now=cast.NOW)
        assert not any(may_open(member, tier, cast.NOW + days * DAY) for days in range(40))

    def test_what_is_over_cannot_end_again(self):
        grant = give(cast.member(), cast.tier())
        granting.end(grant, reason="Once.", now=cast.NOW + DAY)
        for later in (DAY, 40 * DAY):
            with pytest.raises(GrantRefused, match="over already"):
                granting.end(grant, reason="Twice.", now=cast.NOW + later)
        grant.refresh_from_db()
        assert grant.ended_reason == "Once."


class TestReminding:
    def test_a_week_before_the_end_once(self):
        member = cast.member()
        give(member, cast.tier(), days=30)
        for day in (22, 23, 24, 30):
            sweeping.sweep(cast.NOW + day * DAY)
            reminded = letters_to(member.email).count("membership-ends-soon")
            assert reminded == (day >= 23), day

    def test_who_holds_it_on_or_a_higher_one_is_left_alone(self):
        on, higher = cast.member(), cast.member(tier=cast.tier("studio", 20))
        for member in (on, higher):
            give(member, cast.tier(), days=5)
        give(on, cast.tier(), starts_at=cast.NOW + 5 * DAY)
        sweeping.sweep(cast.NOW)
        assert not Letter.objects.filter(kind="membership-ends-soon").exists()

    def test_what_begins_after_a_gap_or_never_does_not_hold_it_on(self):
        gap, never = cast.member(), cast.member()
        for member in (gap, never):
            give(member, cast.tier(), days=5)
        give(gap, cast.tier(), starts_at=cast.NOW + 60 * DAY)
        coming = give(never, cast.tier(), starts_at=cast.NOW + 5 * DAY)
        granting.end(coming, reason="Given by mistake.", now=cast.NOW)
        granting.cut(
            give(never, cast.tier(), starts_at=cast.NOW + 20 * DAY), at=cast.NOW, reason="", now=cast.NOW
        )
        sweeping.sweep(cast.NOW)
        for member in (gap, never):
            assert "membership-ends-soon" in letters_to(member.email), member

    def test_what_is_paid_for_is_the_payers_own_affair(self):
        member = cast.member()
        grant = give(member, cast.tier(), days=5)
        Grant.objects.filter(pk=grant.pk).update(source=GrantSource.PAYMENT)
        sweeping.sweep(cast.NOW)
        assert letters_to(member.email) == ["membership-given"]


class TestCodes:
    def make(self, **said):
        """A code of thirty days."""
        facts = {"tier": cast.tier(), "length_days": 30, "most_uses": 2, "expires_at": None}
        return codes.make_code(**facts | said, made_by=None, now=cast.NOW)

    def test_it_is_three_groups_that_nobody_misreads(self):
        code = self.make().code
        assert re.fullmatch(r"([0-9A-HJKMNP-TV-Z]{4}-){2}[0-9A-HJKMNP-TV-Z]{4}", code)
        assert as_kept(code.lower().replace("-", " ")) == code
        assert as_kept("oil0-1234 56-78") == "0110-1234-5678"

    def test_it_gives_the_tier_once_a_member_and_so_often(self):
        code, member = self.make(), cast.member()
        grant = codes.redeem(code.code, member, now=cast.NOW)
        assert (grant.starts_at, grant.ends_at) == (cast.NOW, cast.NOW + 30 * DAY)
        with pytest.raises(CodeRefused, match="once a member"):
            codes.redeem(code.code, member, now=cast.NOW)
        codes.redeem(code.code, cast.member(), now=cast.NOW)
        with pytest.raises(CodeRefused, match="used up"):
            codes.redeem(code.code, cast.member(), now=cast.NOW)
        code.refresh_from_db()
        assert (code.uses, Grant.objects.count()) == (2, 2)

    def test_a_second_one_lengthens_what_is_held(self):
        member = cast.member()
        give(member, cast.tier(), days=10)
        grant = codes.redeem(self.make().code, member, now=cast.NOW)
        assert (grant.starts_at, grant.ends_at) == (cast.NOW + 10 * DAY, cast.NOW + 40 * DAY)

    def test_what_was_taken_back_before_it_began_does_not_put_it_off(self):
        member = cast.member()
        coming = give(member, cast.tier(), starts_at=cast.NOW + 300 * DAY)
        granting.end(coming, reason="Given by mistake.", now=cast.NOW)
        assert codes.redeem(self.make().code, member, now=cast.NOW).starts_at == cast.NOW

    def test_beyond_the_calendars_end_there_is_nothing_to_add(self):
        """Whoever takes the payments may write the last second of the year 9999 for “for ever”."""
        member, code = cast.member(), self.make()
        give(member, cast.tier(), days=(datetime(9999, 12, 31, tzinfo=UTC) - cast.NOW).days)
        with pytest.raises(CodeRefused, match="would add nothing"):
            codes.redeem(code.code, member, now=cast.NOW)

    def test_who_holds_it_without_an_end_keeps_the_code(self):
        member, code = cast.member(), self.make()
        give(member, cast.tier(), days=None)
        with pytest.raises(CodeRefused, match="would add nothing"):
            codes.redeem(code.code, member, now=cast.NOW)
        code.refresh_from_db()
        assert code.uses == 0

    def test_expired_and_stopped_ones_say_so(self):
        old, stopped = self.make(expires_at=cast.NOW + DAY), self.make()
        codes.usable(old.code, now=cast.NOW + DAY - timedelta(seconds=1))
        with pytest.raises(CodeRefused, match="expired"):
            codes.usable(old.code, now=cast.NOW + DAY)
        codes.stop(stopped, now=cast.NOW)
        with pytest.raises(CodeRefused, match="stopped"):
            codes.usable(stopped.code, now=cast.NOW)

    def test_the_database_lets_nothing_use_one_too_often(self):
        code = self.make(most_uses=1)
        with pytest.raises(IntegrityError):
            InvitationCode.objects.filter(pk=code.pk).update(uses=2)

    def test_it_is_entered_on_the_own_page(self, client):
        member, code = cast.member(), self.make()
        client.force_login(member)
        answer = client.post("/members/code/", {"code": code.code}, follow=True)
        assert "You hold “Full” until Sun 13 Apr 2031, 12:00 (UTC)." in answer.content.decode()
        again = client.post("/members/code/", {"code": code.code})
        assert again.status_code == 422
        assert "once a member" in again.content.decode()

    def test_guessing_shuts_the_door(self, client):
        client.force_login(cast.member())
        answers = [client.post("/members/code/", {"code": f"{n:012d}"}).status_code for n in range(21)]
        assert answers == [422] * 20 + [429]


class TestTiersPage:
    def test_it_says_what_each_opens_to_anybody(self, client):
        low, high = cast.tier("low", 1), cast.tier("high", 2)
        low.about = "The *free* lessons."
        low.save()
        html = client.get("/members/tiers/").content.decode()
        assert "<em>free</em>" in html
        assert html.index("Low") < html.index("High")
        assert "And all that Low opens." in html
        client.force_login(cast.member(tier=high))
        assert client.get("/members/tiers/").content.decode().count("open to you") == 2

    def test_without_tiers_it_says_so(self, client):
        assert "There are no tiers here" in client.get("/members/tiers/").content.decode()
        assert client.post("/members/tiers/").status_code == 405
