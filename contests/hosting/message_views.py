"""The host's page of messages: write, see it as it will be read, send it once, see what became of it."""

from __future__ import annotations

import uuid
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from academy.letters.writing import Words, words_of
from academy.members.access import as_member
from academy.members.guards import hosts_page
from contests import letters
from contests.hosting import access, messaging
from contests.hosting.forms import MessageForm
from contests.hosting.refusals import HostingRefused
from contests.models import Audience, Contest, Message

PREVIEW, SEND = "preview", "send"
"""What the buttons of the two forms say they want."""


@hosts_page
@require_http_methods(["GET", "HEAD", "POST"])
def host_messages(request: HttpRequest, slug: str) -> HttpResponse:
    """The form and the list; a POST shows the letter first, and only the form below that sends it."""
    contest = access.hosted_contest(request.user, slug)
    if request.method != "POST":
        return _page(request, contest, form=MessageForm(initial={"once": uuid.uuid4()}))
    form = MessageForm(request.POST)
    wish = request.POST.get("wish")
    if not form.is_valid() or wish not in {PREVIEW, SEND}:
        return _page(request, contest, form=form, status=200 if form.is_valid() else 422)
    said = form.cleaned_data
    if wish == PREVIEW:
        page = {
            "contest": contest,
            "form": form,
            "letter": _letter(request, contest, said),
            "audience": Audience(said["audience"]).label,
            "people": messaging.people_of(contest, said["audience"]).count(),
        }
        return render(request, "contests/hosting/message_preview.html", page)
    try:
        messaging.send(contest.pk, **said, actor=as_member(request.user), now=timezone.now())
    except HostingRefused as exc:
        return _page(request, contest, form=form, refusal=str(exc), status=422)
    messages.success(request, "The message is on its way. This page counts its letters.")
    return redirect("contests:host_messages", slug=slug)


def _page(request: HttpRequest, contest: Contest, *, status: int = 200, **more: Any) -> HttpResponse:
    page = {"contest": contest, "sent": messaging.messages_of(contest)} | more
    return render(request, "contests/hosting/messages.html", page, status=status)


def _letter(request: HttpRequest, contest: Contest, said: dict[str, Any]) -> Words:
    """The letter as the host would get it: under the host's own name, for entrants' names stay hidden."""
    message = Message(contest=contest, subject=said["subject"], text=said["text"])
    return words_of(letters.HOST_WRITES, letters.message_words(message, as_member(request.user).name))
