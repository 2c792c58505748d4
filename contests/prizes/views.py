"""The winner's own page: choose, take or decline, say where to, say that it has arrived."""

from __future__ import annotations

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST, require_safe

from academy.members.access import as_member
from contests.models import Entry, Handing
from contests.prizes import access, choosing, handing, queries
from contests.prizes.forms import AddressForm, ChoiceForm
from contests.prizes.refusals import PrizeRefused
from contests.states import TurnState


@login_required
@never_cache
@require_safe
def own_prizes(request: HttpRequest, receipt: str) -> HttpResponse:
    """Everything that came, comes or may come to one entry. Nobody else finds this page, hosts included."""
    return _page(request, access.own_prizes(request.user, receipt))


@sensitive_post_parameters("address")
@login_required
@never_cache
@require_POST
def choose(request: HttpRequest, receipt: str) -> HttpResponse:
    """Choose one of the prizes that are left, or none."""
    entry = access.own_prizes(request.user, receipt)
    turn = access.own_turn(entry)
    if request.POST.get("act") == "none":
        try:
            choosing.decline_turn(turn.pk, actor=as_member(request.user), now=timezone.now())
        except PrizeRefused as exc:
            return _page(request, entry, refusal=str(exc))
        messages.success(request, "You want none of them; the host knows.")
        return redirect("contests:own_prizes", receipt=receipt)
    form = ChoiceForm(choosing.left_to_choose(entry.contest), request.POST)
    if not form.is_valid():
        return _page(request, entry, choice_form=form)
    try:
        award = choosing.choose(
            turn.pk,
            form.cleaned_data["prize"],
            actor=as_member(request.user),
            now=timezone.now(),
            address=form.cleaned_data["address"],
        )
    except PrizeRefused as exc:
        return _page(request, entry, choice_form=form, refusal=str(exc))
    messages.success(request, f"“{award.prize}” is yours. The host sends it next.")
    return redirect("contests:own_prizes", receipt=receipt)


@sensitive_post_parameters("address")
@login_required
@never_cache
@require_POST
def answer(request: HttpRequest, receipt: str, award_id: int, act: str) -> HttpResponse:
    """Take it, decline it, write the address anew, or say that it has arrived."""
    entry = access.own_prizes(request.user, receipt)
    award = access.own_award(entry, award_id)
    member, now = as_member(request.user), timezone.now()
    address = request.POST.get("address", "")
    form = AddressForm(request.POST, auto_id=f"address-{award.pk}-%s")
    if "address" in request.POST and not form.is_valid():
        return _page(request, entry, address_form=(award.pk, form))
    try:
        if act == "confirm":
            handing.confirm(award.pk, actor=member, now=now, address=address)
            done = f"You take “{award.prize}”. The host sends it next."
        elif act == "decline":
            handing.decline(award.pk, actor=member, now=now)
            done = f"You declined “{award.prize}”. The host decides who gets it."
        elif act == "address":
            handing.change_address(award.pk, address=address, now=now)
            done = "The address is changed."
        elif act == "received":
            handing.receive(award.pk, actor=member, now=now)
            done = f"“{award.prize}” has arrived. What was kept for the way is erased."
        else:
            raise Http404
    except PrizeRefused as exc:
        return _page(request, entry, refusal=str(exc))
    messages.success(request, done)
    return redirect("contests:own_prizes", receipt=receipt)


def _page(
    request: HttpRequest,
    entry: Entry,
    *,
    choice_form: ChoiceForm | None = None,
    address_form: tuple[int, AddressForm] | None = None,
    refusal: str = "",
) -> HttpResponse:
    turn = getattr(entry, "turn", None)
    is_asked = turn is not None and turn.state == TurnState.ASKED
    bad_award, bad_form = address_form or (None, None)
    outs = [
        (
            out,
            bad_form
            if out.award.pk == bad_award
            # Several forms may stand on the page, each with ids of its own.
            else AddressForm(auto_id=f"address-{out.award.pk}-%s", initial={"address": out.address or ""}),
        )
        for out in queries.hand_outs_of(entry)
    ]
    left = choosing.left_to_choose(entry.contest) if is_asked else []
    page = {
        "entry": entry,
        "contest": entry.contest,
        "turn": turn,
        "is_asked": is_asked,
        "left": left,
        "asks_address": any(prize.handing == Handing.SHIPPED for prize in left),
        "choice_form": choice_form or ChoiceForm(left),
        "hand_outs": outs,
        "days": settings.PRIZE_ADDRESS_DAYS,
        "refusal": refusal,
    }
    is_refused = bool(refusal or choice_form or address_form)
    return render(request, "contests/prizes/own.html", page, status=422 if is_refused else 200)
