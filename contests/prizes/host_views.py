"""The host's pages of prizes: who gets which, who is asked to choose, and each hand-out."""

from __future__ import annotations

from collections.abc import Callable

from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from academy.members.access import as_member
from academy.members.guards import hosts_page
from contests.hosting.access import hosted_contest
from contests.models import Award, Contest
from contests.prizes import access, choosing, giving, handing, queries
from contests.prizes.forms import AskForm, CodeForm, GiveForm, ReasonForm
from contests.prizes.pool import pool_of
from contests.prizes.refusals import PrizeRefused
from contests.states import AWARD_MOVES, AwardState, ContestState

WHY_KEEP = "Why does nobody get it?"
WHY_PASSED = "Why does it pass on?"
WHY_TURN = "Why does the turn pass on?"
WHY_ARRIVED = "How do you know?"


@hosts_page
@require_safe
def prizes(request: HttpRequest, slug: str) -> HttpResponse:
    """All prizes of one contest: what waits, who has which, who chooses."""
    return _desk(request, hosted_contest(request.user, slug))


@hosts_page
@require_POST
def give_by_place(request: HttpRequest, slug: str) -> HttpResponse:
    """Give the prizes that their places name beyond doubt."""
    contest = hosted_contest(request.user, slug)

    def act() -> str:
        given = giving.give_by_place(contest.pk, actor=as_member(request.user), now=timezone.now())
        what = f"{given} prize{'' if given == 1 else 's'}"
        if contest.state == ContestState.PUBLISHED:
            return f"The winners of {what} are told."
        return f"{what} planned. The winners are told once the result is published."

    return _done(request, contest, act)


@hosts_page
@require_POST
def give(request: HttpRequest, slug: str, prize_id: int) -> HttpResponse:
    """Give one prize to an entry, or to nobody."""
    contest = hosted_contest(request.user, slug)
    prize = access.prize_on_desk(contest, prize_id)
    if request.POST.get("act") == "keep-back":

        def keep() -> str:
            reason = _reason_in(ReasonForm(WHY_KEEP, request.POST, prefix=f"keep{prize.pk}"))
            giving.keep_back(prize.pk, actor=as_member(request.user), now=timezone.now(), reason=reason)
            return f"“{prize}” is kept back."

        return _done(request, contest, keep)
    form = GiveForm(contest.results.select_related("entry__member"), request.POST, prefix=f"give{prize.pk}")
    if not form.is_valid():
        return _desk(request, contest, bound=(prize.pk, form))

    def act() -> str:
        award = giving.give(
            prize.pk,
            form.cleaned_data["entry"],
            actor=as_member(request.user),
            now=timezone.now(),
            reason=form.cleaned_data["reason"],
        )
        told = "is told" if award.state == AwardState.TOLD else "is told once the result is published"
        return f"“{prize}” goes to {award.entry.member.name}, who {told}."

    return _done(request, contest, act, bound=(prize.pk, form))


@hosts_page
@require_POST
def ask(request: HttpRequest, slug: str) -> HttpResponse:
    """Ask an entry to choose."""
    contest = hosted_contest(request.user, slug)
    form = AskForm(contest.results.select_related("entry__member"), request.POST)
    if not form.is_valid():
        return _desk(request, contest, ask_form=form)

    def act() -> str:
        turn = choosing.ask(
            contest.pk,
            form.cleaned_data["entry"],
            days=form.cleaned_data["days"],
            actor=as_member(request.user),
            now=timezone.now(),
            reason=form.cleaned_data["reason"],
        )
        return f"{turn.entry.member.name} is asked to choose."

    return _done(request, contest, act, ask_form=form)


@hosts_page
@require_POST
def pass_turn_on(request: HttpRequest, slug: str, turn_id: int) -> HttpResponse:
    """Take a turn back from who does not answer."""
    contest = hosted_contest(request.user, slug)
    turn = access.turn_on_desk(contest, turn_id)

    def act() -> str:
        reason = _reason_in(ReasonForm(WHY_TURN, request.POST, prefix="turn"))
        choosing.pass_turn_on(turn.pk, actor=as_member(request.user), now=timezone.now(), reason=reason)
        return "The turn is passed on. Ask the next one."

    return _done(request, contest, act)


@sensitive_post_parameters("code")
@hosts_page
@require_http_methods(["GET", "HEAD", "POST"])
def award(request: HttpRequest, slug: str, award_id: int) -> HttpResponse:
    """One hand-out: its steps, the postal address while it is needed, and what the host does next."""
    contest = hosted_contest(request.user, slug)
    found = access.award_on_desk(contest, award_id)
    refusal = ""
    if request.method == "POST":
        try:
            done = _act(request, found, request.POST.get("act", ""))
        except PrizeRefused as exc:
            refusal = str(exc)
            found.refresh_from_db()
        else:
            messages.success(request, done)
            return redirect("contests:host_prizes", slug=slug)
    state = AwardState(found.state)
    page = {
        "contest": contest,
        "out": queries.hand_out_of(found, shows_code=False),
        "days": settings.PRIZE_ADDRESS_DAYS,
        "may_send": state == AwardState.CONFIRMED,
        "may_remind": state in {AwardState.TOLD, AwardState.CONFIRMED},
        "may_pass_on": AwardState.PASSED_ON in AWARD_MOVES[state],
        "may_say_received": state == AwardState.SENT,
        "code_form": CodeForm(),
        "pass_on_form": ReasonForm(WHY_PASSED, prefix="pass"),
        "received_form": ReasonForm(WHY_ARRIVED, prefix="arrived"),
        "refusal": refusal,
    }
    return render(request, "contests/prizes/award.html", page, status=422 if refusal else 200)


def _act(request: HttpRequest, found: Award, name: str) -> str:
    """Take the step of one button and return the sentence that says so. Raises PrizeRefused and Http404."""
    host, now = as_member(request.user), timezone.now()
    if name == "send":
        form = CodeForm(request.POST)
        code = form.cleaned_data["code"] if form.is_valid() else ""
        handing.send(found.pk, actor=host, now=now, code=code)
        return f"“{found.prize}” is sent, and {found.entry.member.name} is told."
    if name == "remind":
        handing.remind(found.pk, actor=host, now=now)
        return f"{found.entry.member.name} is reminded."
    if name == "pass-on":
        reason = _reason_in(ReasonForm(WHY_PASSED, request.POST, prefix="pass"))
        giving.pass_on(found.pk, actor=host, now=now, reason=reason)
        return f"“{found.prize}” is with nobody now. Give it anew, or keep it back."
    if name == "received":
        reason = _reason_in(ReasonForm(WHY_ARRIVED, request.POST, prefix="arrived"))
        handing.receive(found.pk, actor=host, now=now, reason=reason)
        return f"“{found.prize}” has arrived; what was kept for the way is erased."
    raise Http404


def _reason_in(form: ReasonForm) -> str:
    """The reason that a form holds. Raises PrizeRefused, with the form's own sentence, without a fit one."""
    if not form.is_valid():
        raise PrizeRefused(" ".join(str(error) for error in form.errors["reason"]))
    reason: str = form.cleaned_data["reason"]
    return reason


def _done(
    request: HttpRequest,
    contest: Contest,
    act: Callable[[], str],
    *,
    bound: tuple[int, GiveForm] | None = None,
    ask_form: AskForm | None = None,
) -> HttpResponse:
    """Do it and go back to the page; a refusal is shown there beside what was typed."""
    try:
        said = act()
    except PrizeRefused as exc:
        return _desk(request, contest, refusal=str(exc), bound=bound, ask_form=ask_form)
    messages.success(request, said)
    return redirect("contests:host_prizes", slug=contest.slug)


def _desk(
    request: HttpRequest,
    contest: Contest,
    *,
    refusal: str = "",
    bound: tuple[int, GiveForm] | None = None,
    ask_form: AskForm | None = None,
) -> HttpResponse:
    contest.refresh_from_db()
    is_decided = contest.state in giving.FROM_THE_DECISION
    desk = queries.desk_of(contest, timezone.now()) if is_decided else None
    lines = []
    for claim in desk.claims if desk else []:
        prize = claim.prize
        form = GiveForm(
            desk.results,
            prefix=f"give{prize.pk}",
            initial={"entry": claim.tied[0].receipt if claim.tied else None},
        )
        if bound and bound[0] == prize.pk:
            form = bound[1]
        lines.append((claim, form, ReasonForm(WHY_KEEP, prefix=f"keep{prize.pk}")))
    page = {
        "contest": contest,
        "desk": desk,
        "pool": pool_of(contest, shows_winners=False),
        "by_place": [line for line in lines if line[0].prize.place is not None],
        "to_choose": [line for line in lines if line[0].prize.is_choice],
        "special": [line for line in lines if line[0].prize.special],
        "ask_form": ask_form or (AskForm(desk.may_ask) if desk else None),
        "turn_form": ReasonForm(WHY_TURN, prefix="turn"),
        "is_published": contest.state == ContestState.PUBLISHED,
        "refusal": refusal,
    }
    is_refused = bool(refusal or bound or ask_form)
    return render(request, "contests/prizes/desk.html", page, status=422 if is_refused else 200)
