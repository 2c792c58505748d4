"""What a person wants to get, the one-click link, and the host's preview of every kind."""

from __future__ import annotations

import base64
import hashlib

from csp.constants import NONE
from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.template.loader import render_to_string
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from academy.letters import access, kinds, sweeping, wishes, writing
from academy.letters.models import Letter, LetterState

SHOWN = 100  # letters that a page lists at most


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
@never_cache
def wanted(request: HttpRequest) -> HttpResponse:
    """Show every kind of letter with its switch, and keep what was chosen."""
    person = access.signed_in(request.user)
    if request.method == "POST":
        wishes.wish_only(person, request.POST.getlist("wanted"), now=timezone.now())
        messages.success(request, "Kept. It holds from the next letter on.")
        return redirect("letters:wanted")
    every, unwanted = kinds.every_kind(), wishes.unwanted_by(person)
    context = {
        "optional": [(kind, kind.name not in unwanted) for kind in every if not kind.is_essential],
        "essential": [kind for kind in every if kind.is_essential],
    }
    return render(request, "academy/letters/wanted.html", context)


# RFC 8058, 3.1 and 3.2: the mail program posts without cookies, so that no token of a form can come along;
# the signature in the address is what a stranger cannot make.
@csrf_exempt
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def off(request: HttpRequest, token: str) -> HttpResponse:
    """Switch one kind of letter off. Opening the page does nothing yet: mail scanners open every link."""
    wish = wishes.of_off_token(token)
    if wish is None:
        raise Http404
    person, kind = wish
    if request.method == "POST":
        wishes.switch_off(person, kind, now=timezone.now())
    context = {"kind": kind, "is_off": wishes.is_unwanted(person, kind)}
    return render(request, "academy/letters/off.html", context)


@require_safe
@login_required
@never_cache
def hosting(request: HttpRequest) -> HttpResponse:
    """Every kind of letter, and the letters that met trouble."""
    access.require_host(request.user)
    troubled = Letter.objects.exclude(trouble="").filter(
        state__in=[LetterState.WAITING, LetterState.GIVEN_UP]
    )
    context = {
        "kinds": kinds.every_kind(),
        "troubled": [(letter, kinds.kind_called(letter.kind)) for letter in troubled[:SHOWN]],
        "waiting": Letter.objects.filter(state=LetterState.WAITING).count(),
        "sender": settings.DEFAULT_FROM_EMAIL,
        "site_url": settings.SITE_URL,
    }
    return render(request, "academy/letters/hosting.html", context)


@require_POST
@login_required
def again(request: HttpRequest, letter_id: int) -> HttpResponse:
    """Try a letter again that was given up."""
    access.require_host(request.user)
    letter = get_object_or_404(Letter, pk=letter_id)
    if sweeping.try_again(letter, now=timezone.now()):
        messages.success(request, "The letter is on its way again.")
    else:
        messages.error(request, "This letter was not given up, or it is too old; there is nothing to try.")
    return redirect("letters:hosting")


@require_safe
@login_required
@never_cache
def preview(request: HttpRequest, name: str) -> HttpResponse:
    """One kind of letter with sample words, as text."""
    access.require_host(request.user)
    kind = _kind(name)
    return render(request, "academy/letters/preview.html", {"kind": kind, "words": _sample_words(kind)})


@require_safe
@login_required
@never_cache
def preview_html(request: HttpRequest, name: str) -> HttpResponse:
    """The same as a mail program shows it, under a policy that allows its one style sheet."""
    access.require_host(request.user)
    response = HttpResponse(_sample_words(_kind(name)).html)
    # CSP Level 3, 2.3.1: an inline element is allowed by the hash of its text.
    digest = hashlib.sha256(render_to_string("academy/letters/letter.css").encode()).digest()
    style = f"'sha256-{base64.b64encode(digest).decode()}'"
    policy = {"default-src": [NONE], "style-src": [style], "form-action": [NONE], "frame-ancestors": [NONE]}
    response._csp_replace = policy  # type: ignore[attr-defined]  # read by the policy's middleware
    return response


def _kind(name: str) -> kinds.Kind:
    kind = kinds.kind_called(name)
    if kind is None:
        raise Http404
    return kind


def _sample_words(kind: kinds.Kind) -> writing.Words:
    off_address = "" if kind.is_essential else f"{settings.SITE_URL}/letters/off/…/"
    return writing.words_of(kind, kind.sample, off_address=off_address)
