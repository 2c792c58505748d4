"""Join, confirm an address, choose a pass phrase, change what the account says."""

from __future__ import annotations

from collections.abc import Callable

from django import forms
from django.contrib import messages
from django.contrib.auth import login, update_session_auth_hash
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from academy.members import doors, joining, links, own_account
from academy.members.access import as_member
from academy.members.forms import (
    AddressForm,
    ChangePassPhraseForm,
    JoinForm,
    NameForm,
    NewAddressForm,
    OwnPassPhraseForm,
    PassPhraseForm,
    posted,
)
from academy.members.models import MailedFor, MailedLink, Member

BACKEND = "django.contrib.auth.backends.ModelBackend"


@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def join(request: HttpRequest) -> HttpResponse:
    """Ask for name and address; the rest goes by a letter. The answer is the same for every address."""
    if request.user.is_authenticated:
        return redirect("members:page")
    now = timezone.now()
    form = JoinForm(posted(request), now=now, initial={"code": request.GET.get("code", "")})
    if request.method == "POST" and _door_is_open(request, doors.JOIN_FROM, form) and form.is_valid():
        said = form.cleaned_data
        joining.ask_to_join(address=said["address"], name=said["name"], code=said["code"], now=now)
        return redirect("members:written")
    return _show(request, "academy/members/join.html", form)


@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def forgotten(request: HttpRequest) -> HttpResponse:
    """Ask for the address; the rest goes by a letter. The answer is the same for every address."""
    form = AddressForm(posted(request))
    if request.method == "POST" and _door_is_open(request, doors.LETTER_FROM, form) and form.is_valid():
        own_account.ask_for_pass_phrase(address=form.cleaned_data["address"], now=timezone.now())
        return redirect("members:written")
    return _show(request, "academy/members/forgotten.html", form)


@require_safe
def written(request: HttpRequest) -> HttpResponse:
    """Say that a letter is on its way."""
    return render(request, "academy/members/written.html")


@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def link(request: HttpRequest, token: str) -> HttpResponse:
    """What a link in a letter opens. Opening the page uses nothing up: mail scanners open every link."""
    try:
        found = links.find(token, now=timezone.now())
        return LINK_PAGES[MailedFor(found.purpose)](request, found)
    except links.LinkSpent as exc:
        return render(request, "academy/members/link_spent.html", {"words": str(exc)}, status=410)


def _join_by(request: HttpRequest, found: MailedLink) -> HttpResponse:
    newcomer = Member(email=found.address, name=found.name)
    form = PassPhraseForm(posted(request), member=newcomer)
    if request.method == "POST" and form.is_valid():
        joined = joining.join(found, form.cleaned_data["pass_phrase"], now=timezone.now())
        login(request, joined.member, BACKEND)
        messages.success(
            request, f"Welcome, {joined.member}. Your address is confirmed, and you are signed in."
        )
        if joined.trouble:
            messages.warning(request, f"Your code gave nothing: {joined.trouble}")
        return redirect("members:page")
    return _show(request, "academy/members/choose_pass_phrase.html", form, address=found.address)


def _set_pass_phrase_by(request: HttpRequest, found: MailedLink) -> HttpResponse:
    assert found.member is not None, "links for a pass phrase belong to a member"
    form = PassPhraseForm(posted(request), member=found.member)
    if request.method == "POST" and form.is_valid():
        phrase = form.cleaned_data["pass_phrase"]
        member = own_account.set_pass_phrase_by_link(found, phrase, now=timezone.now())
        login(request, member, BACKEND)
        messages.success(request, "Your pass phrase is set, and you are signed in.")
        return redirect("members:page")
    return _show(request, "academy/members/choose_pass_phrase.html", form, address=found.member.email)


def _change_address_by(request: HttpRequest, found: MailedLink) -> HttpResponse:
    if request.method == "POST":
        member = own_account.change_address(found, now=timezone.now())
        messages.success(request, f"From now on your address is {member.email}.")
        return redirect("members:page")
    return render(request, "academy/members/confirm_address.html", {"link": found})


LINK_PAGES: dict[MailedFor, Callable[[HttpRequest, MailedLink], HttpResponse]] = {
    MailedFor.JOINING: _join_by,
    MailedFor.PASS_PHRASE: _set_pass_phrase_by,
    MailedFor.ADDRESS: _change_address_by,
}


@require_safe
@login_required
@never_cache
def account(request: HttpRequest) -> HttpResponse:
    """Name, address and pass phrase, each with its form."""
    return _account_page(request)


@require_POST
@login_required
def name(request: HttpRequest) -> HttpResponse:
    """Take another name."""
    form = NameForm(request.POST)
    if not form.is_valid():
        return _account_page(request, status=422, name_form=form)
    own_account.change_name(as_member(request.user), form.cleaned_data["name"])
    messages.success(request, f"You are called {form.cleaned_data['name']} from now on.")
    return redirect("members:account")


@require_POST
@login_required
def address(request: HttpRequest) -> HttpResponse:
    """Write to the new address, which confirms it. The answer is the same for every address."""
    member = as_member(request.user)
    form = NewAddressForm(request.POST, member=member)
    # The pass phrase first: where it is looked at, a wrong one is counted.
    if not is_trusted(member, form) or not _door_is_open(request, doors.LETTER_FROM, form):
        return _account_page(request, status=422, address_form=form)
    own_account.ask_for_address(member, form.cleaned_data["address"], now=timezone.now())
    return redirect("members:written")


@require_POST
@login_required
def pass_phrase(request: HttpRequest) -> HttpResponse:
    """Take another pass phrase. This session goes on; every other one ends."""
    member = as_member(request.user)
    form = ChangePassPhraseForm(request.POST, member=member)
    if not is_trusted(member, form):
        return _account_page(request, status=422, pass_phrase_form=form)
    own_account.change_pass_phrase(member, form.cleaned_data["pass_phrase"], now=timezone.now())
    update_session_auth_hash(request, member)
    messages.success(request, "Your pass phrase is changed. Other devices must sign in anew.")
    return redirect("members:account")


def is_trusted(member: Member, form: OwnPassPhraseForm) -> bool:
    """Whether the form holds, pass phrase included. Wrong ones are counted; after a few none is looked at."""
    now = timezone.now()
    try:
        doors.refuse_if_shut(doors.PASS_PHRASE, member.pk, now=now)
    except doors.TooOften as exc:
        form.shut_because = str(exc)
    if form.is_valid():
        return True
    if form.is_guessed_wrong:
        try:
            doors.knock(doors.PASS_PHRASE, member.pk, now=now)
        except doors.TooOften as exc:
            form.add_error(None, str(exc))
    return False


def _account_page(request: HttpRequest, *, status: int = 200, **forms_: forms.Form) -> HttpResponse:
    member = as_member(request.user)
    context = {
        "name_form": NameForm(initial={"name": member.name}),
        "address_form": NewAddressForm(member=member, auto_id="address_%s"),
        "pass_phrase_form": ChangePassPhraseForm(member=member, auto_id="phrase_%s"),
        **forms_,
    }
    return render(request, "academy/members/account.html", context, status=status)


def _door_is_open(request: HttpRequest, door: doors.Door, form: forms.Form) -> bool:
    """Count one try of the door; put the sentence on the form when it is one too many."""
    try:
        doors.knock(door, doors.network_of(request), now=timezone.now())
    except doors.TooOften as exc:
        form.add_error(None, str(exc))
        return False
    return True


def _show(request: HttpRequest, template: str, form: forms.Form, **more: object) -> HttpResponse:
    status = 422 if form.is_bound else 200
    return render(request, template, {"form": form, **more}, status=status)
