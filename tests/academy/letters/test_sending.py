"""Write a letter once, send it by a job, meet trouble with patience and an end to it."""

from __future__ import annotations

import email
import email.policy
from datetime import timedelta
from unittest.mock import patch

import pytest
from django.core import mail
from django.utils import timezone

from academy.letters import sending, sweeping, wishes, writing
from academy.letters.kinds import Kind, announce
from academy.letters.models import Letter, LetterState
from analysis.jobs import doorbell, running
from analysis.jobs.models import Job, JobState
from tests import cast
from tests.academy.letters.postbox import postbox

pytestmark = pytest.mark.django_db

NEWS = announce(
    Kind(
        name="test-news",
        title="News",
        subject="News for {name}",
        templates="academy/members/letters/membership_ended",
        why="this is a test",
        is_essential=False,
        sample={"name": "Ansa", "tier": "Full", "reason": ""},
    )
)
RECEIPT = announce(
    Kind(
        name="test-receipt",
        title="A receipt",
        subject="For {name}",
        templates="academy/members/letters/membership_ended",
        why="this is a test",
        is_essential=True,
        sample={"name": "Ansa", "tier": "Full", "reason": ""},
    )
)


def write(kind=NEWS, *, key="1", person=None, **said):
    """One letter."""
    person = person or cast.member()
    context = {"name": "Ansa", "tier": "Full", "reason": "why not"} | said
    return writing.write(kind, key=key, address=person.email, person=person, context=context, now=cast.NOW)


@pytest.fixture
def server(settings):
    """A mail server that the site is told of."""
    with postbox() as box:
        settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
        settings.EMAIL_HOST, settings.EMAIL_PORT = box.server_address[:2]
        yield box


class TestWriting:
    def test_the_same_key_is_the_same_letter(self):
        person = cast.member()
        assert write(person=person) == write(person=person, name="Somebody else")
        assert Letter.objects.count() == Job.objects.filter(kind="send_letter").count() == 1

    def test_what_a_person_does_not_want_is_not_written(self):
        person = cast.member()
        wishes.switch_off(person, NEWS, now=cast.NOW)
        assert write(person=person) is None
        assert write(RECEIPT, person=person) is not None

    def test_what_can_be_switched_off_needs_somebody_who_can(self):
        with pytest.raises(ValueError, match="persons only"):
            writing.write(NEWS, key="1", address="a@example.org", context=NEWS.sample, now=cast.NOW)

    def test_text_is_plain_and_html_is_escaped(self):
        letter = write(name="O'Neil & <b>co</b>")
        assert "Hello O'Neil & <b>co</b>," in letter.text
        assert "Hello O&#x27;Neil &amp; &lt;b&gt;co&lt;/b&gt;," in letter.html

    def test_a_line_break_in_a_name_makes_no_header(self):
        assert write(name="Ansa\r\nBcc: all@example.org").subject == "News for Ansa Bcc: all@example.org"

    def test_what_somebody_waits_for_does_not_wait_behind_news(self, work):
        for number in range(3):
            write(key=str(number))
        link = write(RECEIPT, key="a link")
        running.answer(Job.objects.filter(kind="send_letter").earliest("pk").pk)
        assert [message.subject for message in mail.outbox] == ["For Ansa", "News for Ansa"]
        link.refresh_from_db()
        assert link.state == LetterState.SENT

    def test_it_waits_where_the_broker_is_down(self, django_capture_on_commit_callbacks):
        with (
            patch.object(doorbell.current_app, "connection_for_write", side_effect=ConnectionError),
            django_capture_on_commit_callbacks(execute=True),
        ):
            letter = write()
        assert (letter.state, Job.objects.get(kind="send_letter").state) == ("waiting", JobState.QUEUED)


class TestSending:
    def test_it_goes_out_once_and_its_words_go_with_it(self, work):
        letter = write()
        work("send_letter")
        sweeping.sweep(cast.NOW + timedelta(hours=1))
        work("send_letter")
        (message,) = mail.outbox
        assert message.to == [letter.address]
        letter.refresh_from_db()
        assert (letter.state, letter.text, letter.html) == (LetterState.SENT, "", "")

    def test_the_sweep_asks_only_for_those_that_no_job_is_about(self, django_assert_max_num_queries):
        for number in range(30):
            write(key=str(number))
        write(RECEIPT, key="a link")
        # As a site had it that was updated while essential letters waited among all others.
        Job.objects.filter(kind="send_essential").update(kind="send_letter")
        with django_assert_max_num_queries(4):
            assert sweeping.sweep(cast.NOW + timedelta(minutes=1)) == 0
        assert {job.kind for job in Job.objects.all()} == {"send_letter"}

    def test_what_was_switched_off_meanwhile_is_withheld(self, work):
        person = cast.member()
        letter = write(person=person)
        wishes.switch_off(person, NEWS, now=cast.NOW)
        work("send_letter")
        letter.refresh_from_db()
        assert (letter.state, letter.text, mail.outbox) == (LetterState.WITHHELD, "", [])

    def test_the_message_holds_both_bodies_and_says_how_to_switch_off(self, work, server):
        person = cast.member()
        letter = write(person=person)
        work("send_letter")
        # Read back by the standard library's parser.
        message = email.message_from_bytes(server.taken[0], policy=email.policy.default)
        kinds = [part.get_content_type() for part in message.iter_parts()]
        assert (message.get_content_type(), kinds) == (
            "multipart/alternative",
            ["text/plain", "text/html"],
        )
        # RFC 8058, 2 and 3.1: an https (here: the site's own) address in angle brackets, and the fixed pair.
        # RFC 5322, 2.2.3: a long line is folded before a blank, which is no part of the address.
        assert message["List-Unsubscribe"].strip() == f"<{wishes.off_address(person, NEWS)}>"
        assert message["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
        assert message["Auto-Submitted"] == "auto-generated"  # RFC 3834, 5
        assert wishes.off_address(person, NEWS) in message.get_body(("plain",)).get_content()
        assert message["Message-ID"].startswith(f"<letter-{letter.pk}-")

    def test_an_essential_one_offers_no_switch(self, work):
        write(RECEIPT)
        work("send_essential")
        assert "List-Unsubscribe" not in mail.outbox[0].extra_headers
        assert "Get no more" not in mail.outbox[0].alternatives[0].content

    @pytest.mark.parametrize("answer", ["550 no such box", "553 no"])
    def test_a_final_no_ends_it_at_once(self, work, server, answer):
        server.rcpt_reply = answer  # RFC 5321, 4.2.1: 5yz is final
        letter = write()
        work("send_letter")
        letter.refresh_from_db()
        assert (letter.state, letter.tries) == (LetterState.GIVEN_UP, 1)
        assert letter.trouble == f"The mail server refused the address ({answer[:3]})."

    def test_a_passing_no_is_met_by_later_tries_and_a_last_one(self, server, work, monkeypatch):
        server.rcpt_reply = "451 come again"  # RFC 5321, 4.2.1: 4yz is not
        letter = write()
        now = cast.NOW
        for wait in [*sending.WAITS, None]:
            work("send_letter")
            letter.refresh_from_db()
            if wait is not None:
                assert (letter.state, letter.next_try_at) == (LetterState.WAITING, now + wait)
                assert sweeping.sweep(now + wait - timedelta(seconds=1)) == 0
                now += wait
                monkeypatch.setattr(timezone, "now", lambda at=now: at)
                assert sweeping.sweep(now) == 1
        assert (letter.state, letter.tries) == (LetterState.GIVEN_UP, len(sending.WAITS) + 1)
        assert letter.text, "a host may have it tried again"

    def test_a_server_that_is_not_there_is_trouble_and_no_crash(self, work, settings):
        settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
        settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", 9  # RFC 863: nobody listens there by default
        letter = write()
        (job,) = work("send_letter")
        letter.refresh_from_db()
        assert (letter.state, letter.tries, job.state) == (LetterState.WAITING, 1, JobState.DONE)
        assert letter.trouble == "The mail server could not be reached (Connection refused)."

    def test_a_given_up_one_can_be_tried_again(self, work, server):
        server.rcpt_reply = "550 no"
        letter = write()
        work("send_letter")
        server.rcpt_reply = "250 OK"
        assert sweeping.try_again(letter, now=cast.NOW)
        work("send_letter")
        letter.refresh_from_db()
        assert (letter.state, len(server.taken)) == (LetterState.SENT, 1)
        assert not sweeping.try_again(letter, now=cast.NOW)


class TestForgetting:
    def test_of_who_has_no_account_nothing_is_kept_once_it_is_sent(self, work):
        writing.write(RECEIPT, key="1", address="s@example.org", context=RECEIPT.sample, now=cast.NOW)
        work("send_essential")
        assert mail.outbox[0].to == ["s@example.org"]
        assert [(one.state, one.address) for one in Letter.objects.all()] == [("sent", "")]

    def test_an_old_letter_keeps_its_key_and_nothing_of_the_person(self, work):
        person = cast.member()
        letter = write(person=person)
        work("send_letter")
        sweeping.sweep(cast.NOW + sweeping.KEPT + timedelta(seconds=1))
        letter.refresh_from_db()
        assert (letter.person, letter.address, letter.subject) == (None, "", "")
        assert write(person=person) == letter

    def test_who_leaves_is_taken_out_and_gets_nothing_more(self, work):
        person = cast.member()
        write(person=person, key="sent")
        work("send_letter")
        write(person=person, key="waiting")
        sweeping.forget(person)
        assert [(one.key, one.address) for one in Letter.objects.all()] == [("sent", "")]
        work("send_letter")
        assert len(mail.outbox) == 1
