"""Signed events: who may send them, what they do, and that neither order nor repeats matter."""

from __future__ import annotations

import itertools
import json
import subprocess
from datetime import timedelta

import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.hmac import HMAC
from django.test import Client

from academy.letters.models import Letter
from academy.members.access import may_open
from academy.members.models import Grant, Member, PaymentEvent
from academy.members.payments import applying, signatures
from academy.members.payments.events import EventRefused, event_of
from academy.members.payments.signatures import SignatureRefused
from tests import cast
from tests.academy.members.post import letters_to

pytestmark = pytest.mark.django_db

SECRET, OTHER = "a secret of forty characters and no fewer", "another one, for the time of a rotation.."
DAY = timedelta(days=1)
PAYER = "payer@example.org"


def said(kind="grant", **more):
    """An event as JSON."""
    facts = {
        "id": "event-1",
        "type": kind,
        "occurred_at": cast.NOW.isoformat(),
        "email": PAYER,
        "tier": "full",
    }
    if kind == "grant":
        facts["ends_at"] = None
    return json.dumps(facts | more).encode()


def signed(body, *, secret=SECRET, at=cast.NOW):
    """The header, by the cryptography library's HMAC rather than our own."""
    seconds = str(int(at.timestamp()))
    mac = HMAC(secret.encode(), hashes.SHA256())
    mac.update(seconds.encode() + b"." + body)
    return f"t={seconds},v1={mac.finalize().hex()}"


def send(body, header=None, client=None):
    """Post an event, as a program without cookies does."""
    return (client or Client(enforce_csrf_checks=True)).post(
        "/members/payments/",
        body,
        content_type="application/json",
        headers={signatures.HEADER: signed(body) if header is None else header},
    )


@pytest.fixture(autouse=True)
def shared(settings):
    """The secrets in use, and the tier."""
    settings.MEMBERSHIP_SECRETS = [SECRET, OTHER]
    return cast.tier("full", 10)


class TestSignature:
    @pytest.mark.needs("openssl")
    def test_openssl_signs_alike(self):
        body = said()
        text = f"{int(cast.NOW.timestamp())}.".encode() + body
        words = ["openssl", "dgst", "-sha256", "-hmac", SECRET, "-r"]
        digest = subprocess.run(words, input=text, capture_output=True, check=True).stdout.split()[0]
        header = f"t={int(cast.NOW.timestamp())},v1={digest.decode()}"
        assert header == signatures.sign(body, secret=SECRET, sent_at=cast.NOW) == signed(body)
        assert send(body, header).json() == {"id": "event-1", "outcome": "granted"}

    def test_it_follows_the_published_test_case(self):
        # RFC 4231, 4.3 (test case 2): key "Jefe", data "what do ya want for nothing?". Ours puts the seconds
        # and a full stop before the body, so the data is cut there.
        mac = HMAC(b"Jefe", hashes.SHA256())
        mac.update(b"what do ya want for nothing?")
        assert mac.finalize().hex() == "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"

    @pytest.mark.parametrize("secret", [SECRET, OTHER])
    def test_both_live_secrets_hold(self, secret):
        body = said()
        assert send(body, signed(body, secret=secret)).status_code == 200

    def test_a_sender_may_sign_with_both(self):
        body = said()
        strange = signed(body, secret="x" * 40)
        header = f"{strange},v1={signed(body).rpartition('=')[2]}"
        assert send(body, header).status_code == 200

    @pytest.mark.parametrize(
        "header",
        [
            "",
            "t=1",
            "v1=" + "0" * 64,
            "t=now,v1=" + "0" * 64,
            "t=1,t=2,v1=" + "0" * 64,
            "t=" + "9" * 5000 + ",v1=" + "0" * 64,
            f"t={int(cast.NOW.timestamp())},v1=" + "0" * 64,
            f"t={int(cast.NOW.timestamp())},v1=" + "é" * 64,
            f"t={int(cast.NOW.timestamp())}" + (",v1=" + "0" * 64) * 5,
            signed(said(), secret="x" * 40),
            signed(said() + b" "),
            signed(said()).replace("v1", "v2"),
            signed(said(), at=cast.NOW - timedelta(seconds=301)),
            signed(said(), at=cast.NOW + timedelta(seconds=301)),
        ],
    )
    def test_what_is_not_signed_just_now_is_refused(self, header):
        answer = send(said(), header.encode().decode("latin-1"))
        assert answer.status_code == 401
        assert answer.json()["error"]["code"] == "not_signed"
        assert not PaymentEvent.objects.exists()

    @pytest.mark.parametrize("away_s", [-300, 300])
    def test_five_minutes_either_way_are_taken(self, away_s):
        body = said()
        assert send(body, signed(body, at=cast.NOW + timedelta(seconds=away_s))).status_code == 200

    def test_the_time_is_part_of_what_is_signed(self):
        body = said()
        late = signed(body, at=cast.NOW - timedelta(hours=1))
        moved = f"t={int(cast.NOW.timestamp())},{late.partition(',')[2]}"
        with pytest.raises(SignatureRefused, match="not of this body"):
            signatures.check(moved, body, secrets=[SECRET], now=cast.NOW)

    def test_without_a_secret_there_is_no_such_door(self, settings):
        settings.MEMBERSHIP_SECRETS = []
        assert send(said()).status_code == 404

    def test_it_takes_nothing_but_posts_of_64_kib(self):
        assert Client().get("/members/payments/").status_code == 405
        large = b"x" * (64 * 1024)
        assert send(large).status_code == 400  # large enough, and no event
        assert send(large + b"x").status_code == 413


class TestEvents:
    @pytest.mark.parametrize(
        ("body", "words"),
        [
            (b"", "one JSON object"),
            (b"[]", "one JSON object"),
            (b"\xff", "one JSON object"),
            (b'{"id": 1, "id": 2}', "each name once"),
            (b"[" * 5000, "one JSON object"),
            (said(type="refund"), '"type" must be'),
            (said(type=["grant"]), '"type" must be'),
            (said("revoke", ends_at=None), 'A revoke has no "ends_at"'),
            (said(end_at=None), 'A grant has no "end_at"'),
            (said(id=""), '"id" must be a text of 1 to 120'),
            (said(id=7), '"id" must be a text'),
            (said(id="a\0b"), '"id" must be a text'),
            (said(reason="half \ud83d"), '"reason" holds half of a surrogate pair'),
            (said(email="nobody"), "no e-mail address"),
            (said(occurred_at="2031-03-14"), '"occurred_at" must be a time with its offset'),
            (said(occurred_at="2031-03-14T12:00:00"), "with its offset"),
            (said(occurred_at="0001-01-01T00:00:00+14:00"), "with its offset"),
            (said(occurred_at=1_900_000_000), "with its offset"),
            (said(ends_at=cast.NOW.isoformat()), '"ends_at" must be after'),
        ],
    )
    def test_what_cannot_be_read_is_refused_with_a_sentence(self, body, words):
        answer = send(body)
        assert answer.status_code == 400
        assert words in answer.json()["error"]["message"]
        assert not PaymentEvent.objects.exists()

    def test_a_grant_must_say_its_end(self):
        facts = json.loads(said())
        del facts["ends_at"]
        with pytest.raises(EventRefused, match='A grant needs "ends_at"'):
            event_of(json.dumps(facts).encode())

    def test_an_unknown_tier_may_come_again_once_there_is_one(self):
        body = said(tier="gold")
        answer = send(body)
        assert (answer.status_code, answer.json()["error"]["code"]) == (422, "unknown_tier")
        cast.tier("gold", 30)
        assert send(body).json()["outcome"] == "granted"


class TestApplying:
    def test_a_grant_makes_the_member_and_writes_to_them(self):
        assert send(said(name="Tamsin", ends_at=(cast.NOW + 30 * DAY).isoformat())).status_code == 200
        member = Member.objects.get(email=PAYER)
        assert (member.name, member.has_usable_password()) == ("Tamsin", False)
        (grant,) = member.grants.all()
        assert (grant.source, grant.ends_at, grant.reason) == ("payment", cast.NOW + 30 * DAY, "event-1")
        assert letters_to(PAYER) == ["invited", "membership-given"]

    def test_a_member_who_is_here_keeps_the_account(self, shared):
        member = cast.member()
        send(said(email=member.email.upper()))
        assert may_open(member, shared, cast.NOW)
        assert Member.objects.count() == 1

    def test_a_replay_is_answered_and_does_nothing(self):
        send(said())
        for _ in range(2):
            answer = send(said())
            assert (answer.status_code, answer.json()["outcome"]) == (200, "replayed")
        assert (Grant.objects.count(), PaymentEvent.objects.count()) == (1, 1)
        assert Letter.objects.count() == 2

    def test_a_revoke_ends_what_was_paid_and_nothing_else(self, shared):
        member = cast.member()
        other = cast.tier("other", 5)
        given = Grant.objects.create(member=member, tier=other, starts_at=cast.NOW)
        send(said(email=member.email))
        body = said("revoke", id="event-2", email=member.email, reason="Returned.")
        assert send(body).json()["outcome"] == "revoked"
        assert not may_open(member, shared, cast.NOW)
        given.refresh_from_db()
        assert given.ends_at is None
        assert member.grants.get(tier=shared).ended_reason == "Returned."

    def test_what_a_host_gave_is_the_hosts_to_end(self, shared):
        member = cast.member(tier=shared)
        assert send(said("revoke", email=member.email)).json()["outcome"] == "nothing"
        assert may_open(member, shared, cast.NOW)

    def test_a_renewal_leaves_no_gap_and_no_double(self, shared):
        first, second = cast.NOW + 30 * DAY, cast.NOW + 60 * DAY
        send(said(ends_at=first.isoformat()))
        later = (cast.NOW + 29 * DAY).isoformat()
        send(said(id="event-2", occurred_at=later, starts_at=first.isoformat(), ends_at=second.isoformat()))
        periods = Grant.objects.order_by("starts_at").values_list("starts_at", "ends_at")
        assert list(periods) == [(cast.NOW, first), (first, second)]

    def test_a_payer_who_moved_here_is_found_by_the_lasting_reference(self, shared):
        send(said(payer="customer-7"))
        member = Member.objects.get(email=PAYER)
        Member.objects.filter(pk=member.pk).update(email="moved@example.org")
        body = said("revoke", id="event-2", payer="customer-7", occurred_at=(cast.NOW + DAY).isoformat())
        assert send(body).json()["outcome"] == "revoked"
        assert Member.objects.count() == 1


class TestOrder:
    """An old revoke must not undo a newer grant, nor an old grant a newer revoke."""

    def test_an_old_revoke_does_not_undo_a_newer_grant(self, shared):
        send(said(id="new"))
        old = (cast.NOW - DAY).isoformat()
        assert send(said("revoke", id="old", occurred_at=old)).json()["outcome"] == "late"
        assert may_open(Member.objects.get(email=PAYER), shared, cast.NOW)

    def test_an_old_grant_does_not_undo_a_newer_revoke(self):
        send(said("revoke", id="new"))
        old = (cast.NOW - DAY).isoformat()
        assert send(said(id="old", occurred_at=old)).json()["outcome"] == "late"
        assert not Grant.objects.exists()
        assert not Member.objects.exists()

    def test_whatever_the_order_of_arrival_the_same_is_held(self, shared):
        """Four events in all 24 orders. What must be held comes from reading the events in order of time."""
        hours = timedelta(hours=1)
        events = [
            ("grant", -4 * hours, {"ends_at": (cast.NOW + 30 * DAY).isoformat()}),
            ("revoke", -3 * hours, {}),
            ("grant", -2 * hours, {"ends_at": (cast.NOW + 10 * DAY).isoformat()}),
            (
                "grant",
                -1 * hours,
                {
                    "starts_at": (cast.NOW + 5 * DAY).isoformat(),
                    "ends_at": (cast.NOW + 8 * DAY).isoformat(),
                },
            ),
        ]
        # Until day 5 by the third event, then by the fourth until day 8; the first was revoked.
        expected = [day < 8 for day in range(12)]
        for number, order in enumerate(itertools.permutations(range(4))):
            payer = f"p{number}@example.org"
            for at in order:
                kind, when, more = events[at]
                body = said(
                    kind,
                    id=f"{number}-{at}",
                    email=payer,
                    occurred_at=(cast.NOW + when).isoformat(),
                    **more,
                )
                applying.apply(event_of(body), now=cast.NOW)
            member = Member.objects.get(email=payer)
            held = [may_open(member, shared, cast.NOW + day * DAY) for day in range(12)]
            assert held == expected, order

    def test_of_two_at_one_moment_the_revoke_is_the_later(self, shared):
        for number, order in enumerate((("grant", "revoke"), ("revoke", "grant"))):
            payer = f"p{number}@example.org"
            for kind in order:
                applying.apply(event_of(said(kind, id=f"{number}-{kind}", email=payer)), now=cast.NOW)
            member = Member.objects.filter(email=payer).first()
            assert member is None or not may_open(member, shared, cast.NOW)
