"""Hand one letter over to the mail server, and try again later where that fails."""

from __future__ import annotations

import logging
import smtplib
from datetime import datetime, timedelta

from django.contrib.auth.base_user import AbstractBaseUser
from django.core.mail import EmailMultiAlternatives
from django.utils import timezone

from academy.letters import wishes
from academy.letters.addresses import site_host
from academy.letters.kinds import Kind, kind_called
from academy.letters.models import Letter, LetterState
from analysis.jobs.claiming import Claim

# Between one try and the next; after the last one the letter is given up. Common practice, no source.
WAITS = (
    timedelta(minutes=1),
    timedelta(minutes=5),
    timedelta(minutes=30),
    timedelta(hours=2),
    timedelta(hours=6),
)
# RFC 5321, 4.2.1: a reply of 5yz is final, one of 4yz asks to try again.
FINAL_REPLY = 500

logger = logging.getLogger(__name__)


def send(claim: Claim) -> None:
    """Send the letter that the job is about, if it still waits.

    A mail server's "no" to the address or the letter is final. Any other trouble, its own included, is met by
    the next try. A worker that dies between the server's "yes" and the commit sends it once more under the
    same Message-ID, by which mail programs know the two for one.
    """
    letter = (
        Letter.objects.filter(pk=claim.subject, state=LetterState.WAITING).select_related("person").first()
    )
    if letter is None:
        return
    now = timezone.now()
    kind = kind_called(letter.kind)
    if kind is not None and letter.person is not None and wishes.is_unwanted(letter.person, kind):
        state, trouble = LetterState.WITHHELD, ""
    elif letter.useful_until is not None and now >= letter.useful_until:
        state, trouble = LetterState.TOO_LATE, ""
    else:
        state, trouble = _try_to_send(letter, kind)
    with claim.finishing():
        _write_back(letter, state, trouble, now)


def _try_to_send(letter: Letter, kind: Kind | None) -> tuple[LetterState, str]:
    """What became of one try, and the trouble that it met."""
    try:
        message_of(letter, kind).send()
    except OSError as exc:  # every refusal of smtplib is one
        logger.warning("%s: try %s failed: %s", letter, letter.tries + 1, type(exc).__name__)
        is_over = _is_final(exc) or letter.tries >= len(WAITS)
        return LetterState.GIVEN_UP if is_over else LetterState.WAITING, _words_of(exc)
    return LetterState.SENT, ""


def _write_back(letter: Letter, state: LetterState, trouble: str, now: datetime) -> None:
    mine = Letter.objects.filter(pk=letter.pk, state=LetterState.WAITING)
    if state == LetterState.WAITING:
        mine.update(tries=letter.tries + 1, next_try_at=now + WAITS[letter.tries], trouble=trouble)
    elif state == LetterState.GIVEN_UP:  # the words stay: a host may have it tried again
        mine.update(state=state, tries=letter.tries + 1, settled_at=now, trouble=trouble)
    else:
        # Of who has no account, or none any more, the address goes with the words.
        forgotten = {} if letter.person_id else {"address": "", "subject": ""}
        mine.update(state=state, settled_at=now, trouble="", text="", html="", **forgotten)


def message_of(letter: Letter, kind: Kind | None) -> EmailMultiAlternatives:
    """The letter as a message: plain text, and the same as HTML.

    What can be switched off says how by RFC 2369 and, for one click, RFC 8058; the mail server's own
    signature must cover those two headers. RFC 3834: nobody's absence note is to answer a machine.
    """
    headers = {
        "Message-ID": f"<letter-{letter.pk}-{letter.written_at:%Y%m%d%H%M%S}@{site_host()}>",
        "Auto-Submitted": "auto-generated",
    }
    if kind is not None and not kind.is_essential and isinstance(letter.person, AbstractBaseUser):
        headers["List-Unsubscribe"] = f"<{wishes.off_address(letter.person, kind)}>"
        headers["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
    message = EmailMultiAlternatives(
        subject=letter.subject, body=letter.text, to=[letter.address], headers=headers
    )
    message.attach_alternative(letter.html, "text/html")
    return message


def _is_final(exc: OSError) -> bool:
    if isinstance(exc, smtplib.SMTPRecipientsRefused):
        return all(code >= FINAL_REPLY for code, _ in exc.recipients.values())
    return isinstance(exc, smtplib.SMTPDataError) and exc.smtp_code >= FINAL_REPLY


def _words_of(exc: OSError) -> str:
    """The trouble in words that name no address: the row outlives it."""
    if isinstance(exc, smtplib.SMTPRecipientsRefused):
        codes = ", ".join(str(code) for code, _ in exc.recipients.values())
        return f"The mail server refused the address ({codes})."
    if isinstance(exc, smtplib.SMTPResponseException):
        return f"The mail server answered {exc.smtp_code}."
    return f"The mail server could not be reached ({exc.strerror or type(exc).__name__})."
