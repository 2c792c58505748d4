"""A host's message: seen before it goes, sent once, to the group and nobody else, recorded, without names."""

from __future__ import annotations

import hashlib
import smtplib
import uuid

import pytest
from django.test import Client
from django.urls import reverse

from academy.letters import wishes
from academy.letters.models import Letter
from contests import letters
from contests.hosting import messaging
from contests.hosting.refusals import HostingRefused
from contests.models import Audience, Entry, Judge, Message
from contests.states import EntryState
from tests.contests import stages
from tests.contests.hosting.conftest import signed_in
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db

TEXT = "The second guitar is whole again.\nFetch the pack anew."


@pytest.fixture
def stage():
    stage = stages.closed()
    for entry, state in zip(stage.entries[1:], ("attention", "disqualified", "withdrawn"), strict=True):
        Entry.objects.filter(pk=entry.pk).update(state=state)
    return stage


def send(stage, audience: str = Audience.ENTRANTS, **fields) -> Message:
    defaults = {"once": uuid.uuid4(), "subject": "Guitar", "text": TEXT, "actor": stage.host}
    return messaging.send(stage.contest.pk, audience=audience, now=AFTER_THE_CLOSE, **defaults | fields)


def told() -> list[str]:
    return sorted(Letter.objects.filter(kind=letters.HOST_WRITES.name).values_list("address", flat=True))


def form(**fields) -> dict[str, str]:
    filled = {"once": str(uuid.uuid4()), "audience": "entrants", "subject": "Guitar", "text": TEXT}
    return filled | {"wish": "send"} | fields


class TestSend:
    @pytest.mark.parametrize(
        ("audience", "who"),
        [
            ("entrants", [0, 1, 2]),
            ("ready", [0]),
            ("attention", [1]),
            ("disqualified", [2]),
        ],
    )
    def test_the_group_is_written_to_and_nobody_else(self, stage, audience, who):
        send(stage, audience)
        stages.run_all_jobs()
        assert told() == sorted(stage.entries[number].member.email for number in who)

    def test_judges_are_written_to_but_not_those_who_left(self, stage):
        Judge.objects.filter(pk=stage.judges[0].pk).update(has_left=True)
        send(stage, Audience.JUDGES)
        stages.run_all_jobs()
        assert told() == sorted(judge.member.email for judge in stage.judges[1:])

    def test_judges_with_missing_sheets_are_a_group_of_their_own(self):
        stage = stages.judging(entrants=["Ansa Merrow", "Bero Lund"])
        done = stage.judges[0]
        for hearing in done.assignments.all():
            stages.submit(hearing, {one.pk: 6 for one in stage.contest.criteria.all()})
        left = {one.member.email for one in stage.judges[1:] if one.assignments.exists()}
        send(stage, Audience.JUDGES_MISSING)
        stages.run_all_jobs()
        assert set(told()) == left

    def test_one_letter_a_person_and_no_other_name_in_it(self, stage, mailoutbox):
        send(stage)
        stages.run_all_jobs()  # writes the letters
        stages.run_all_jobs()  # sends them
        people = [entry.member for entry in stage.entries[:3]]
        ours = [mail for mail in mailoutbox if "Guitar" in mail.subject]
        assert len(ours) == 3
        for mail in ours:
            (address,) = mail.recipients()
            whole = mail.message().as_string()
            for other in people:
                if other.email != address:
                    assert other.email not in whole
                    assert other.name not in whole
            assert TEXT in mail.body

    def test_the_same_form_sent_twice_is_one_message(self, stage):
        once = uuid.uuid4()
        assert send(stage, once=once) == send(stage, once=once)
        stages.run_all_jobs()
        assert len(told()) == 3
        assert stage.contest.decisions.filter(action="message sent").count() == 1

    def test_the_job_done_twice_writes_to_nobody_twice(self, stage):
        message = send(stage)
        stages.run_all_jobs()
        messaging.requesting.request(messaging.WRITE_MESSAGE, message.pk)
        stages.run_all_jobs()
        assert len(told()) == 3
        assert message.letters.count() == 3

    def test_it_is_recorded_with_the_group_and_the_text_s_hash_and_no_name(self, stage):
        send(stage, Audience.ATTENTION)
        line = stage.contest.decisions.last()
        assert line.action == "message sent"
        assert line.actor == stage.host
        assert line.details["to"] == "entrants whose entry needs attention"
        assert line.details["sha256"] == hashlib.sha256(TEXT.encode()).hexdigest()
        assert not any(entry.member.name in str(line.details) for entry in stage.entries)

    def test_a_group_without_anybody_is_refused(self, stage):
        Entry.objects.update(state=EntryState.WITHDRAWN)
        with pytest.raises(HostingRefused, match="Nobody is in the group"):
            send(stage)
        assert not Message.objects.exists()
        assert not stage.contest.decisions.filter(action="message sent").exists()


class TestWhatBecameOfIt:
    def test_sent_failed_and_unwanted_are_counted(self, stage, monkeypatch):
        refused, unwilling = stage.entries[0].member, stage.entries[1].member
        wishes.switch_off(unwilling, letters.HOST_WRITES, now=AFTER_THE_CLOSE)
        send(stage)
        (line,) = messaging.messages_of(stage.contest)
        assert (line.message.people, line.unwanted) == (None, None)

        def answer(mail):
            if mail.to == [refused.email]:
                raise smtplib.SMTPRecipientsRefused({refused.email: (550, b"no such box")})
            return 1

        monkeypatch.setattr("django.core.mail.EmailMultiAlternatives.send", answer)
        stages.run_all_jobs()  # writes the letters
        (line,) = messaging.messages_of(stage.contest)
        assert (line.on_their_way, line.sent, line.unwanted) == (2, 0, 1)
        stages.run_all_jobs()  # sends them
        (line,) = messaging.messages_of(stage.contest)
        assert (line.message.people, line.sent, line.on_their_way, line.failed, line.unwanted) == (
            3,
            1,
            0,
            1,
            1,
        )

    def test_the_page_of_trouble_tells_a_host_no_address(self, stage, monkeypatch):
        """A group may be one person: the address beside the failed letter would be the name."""
        out = stage.entries[2].member
        send(stage, Audience.DISQUALIFIED)
        stages.run_all_jobs()
        refusal = smtplib.SMTPRecipientsRefused({out.email: (550, b"no such box")})

        def refuse(mail):
            raise refusal

        monkeypatch.setattr("django.core.mail.EmailMultiAlternatives.send", refuse)
        stages.run_all_jobs()
        page = signed_in(stage.host).get(reverse("letters:hosting")).content.decode()
        assert "given up" in page
        assert "somebody whose name stays hidden" in page
        assert out.email not in page

    def test_two_queries_however_many_messages(self, stage, django_assert_num_queries):
        for _ in range(3):
            send(stage)
        stages.run_all_jobs()
        with django_assert_num_queries(2):
            assert len(messaging.messages_of(stage.contest)) == 3


class TestPage:
    def at(self, stage) -> str:
        return reverse("contests:host_messages", args=[stage.contest.slug])

    def test_it_is_there_for_hosts_only(self, stage):
        assert Client().get(self.at(stage)).status_code == 302
        for member in (stage.entries[0].member, stage.judges[0].member):
            assert signed_in(member).get(self.at(stage)).status_code == 404
            assert signed_in(member).post(self.at(stage), form()).status_code == 404
        assert not Message.objects.exists()
        assert signed_in(stage.host).get(self.at(stage)).status_code == 200
        assert signed_in(stage.host).put(self.at(stage)).status_code == 405

    def test_the_preview_shows_the_letter_and_sends_nothing(self, stage):
        answer = signed_in(stage.host).post(self.at(stage), form(wish="preview"))
        page = answer.content.decode()
        assert "Fetch the pack anew." in page
        assert stage.host.name in page
        assert "Send to 3 people" in page
        assert not any(entry.member.name in page for entry in stage.entries)
        assert not Message.objects.exists()

    def test_what_was_typed_comes_back_to_be_changed(self, stage):
        page = signed_in(stage.host).post(self.at(stage), form(wish="change")).content.decode()
        assert "Fetch the pack anew." in page
        assert "See it before it goes" in page
        assert not Message.objects.exists()

    def test_it_is_sent_and_listed(self, stage):
        browser = signed_in(stage.host)
        page = browser.post(self.at(stage), form(), follow=True).content.decode()
        assert "being written" in page
        stages.run_all_jobs()
        stages.run_all_jobs()
        page = browser.get(self.at(stage)).content.decode()
        assert "3 sent" in page
        assert "to 3 people" in page
        assert not any(entry.member.name in page or entry.member.email in page for entry in stage.entries)

    @pytest.mark.parametrize("gone", ["subject", "text", "audience", "once"])
    def test_what_is_missing_is_said_and_nothing_sent(self, stage, gone):
        answer = signed_in(stage.host).post(self.at(stage), form(**{gone: ""}))
        assert answer.status_code == 422
        assert not Message.objects.exists()

    def test_an_empty_group_is_refused_on_the_page(self, stage):
        Entry.objects.update(state=EntryState.WITHDRAWN)
        answer = signed_in(stage.host).post(self.at(stage), form())
        assert answer.status_code == 422
        assert "Nobody is in the group" in answer.content.decode()

    def test_markup_stays_words(self, stage):
        page = signed_in(stage.host).post(self.at(stage), form(wish="preview", text="<b>{name}</b>"))
        assert "&lt;b&gt;{name}&lt;/b&gt;" in page.content.decode()
