"""Sign in, a member's own page, and what each tier opens."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView, redirect_to_login
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from academy.members import codes, doors, queries
from academy.members.access import as_member, rank_of
from academy.members.forms import CodeForm, SignInForm
from academy.members.sections import sections_for
from academy.templatetags.audio_text import moment


class SignIn(LoginView):
    """Take address and pass phrase; go on to where the visitor came from, if that is on this site."""

    template_name = "academy/members/sign_in.html"
    authentication_form = SignInForm
    redirect_authenticated_user = True

    def get_context_data(self, **more: Any) -> dict[str, Any]:
        """Without the host's name, which Django would put in the place of the site's."""
        context = super().get_context_data(**more)
        del context["site_name"]
        return context

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        """Look at nothing while the door is shut, whether or not the address has an account."""
        try:
            for door, who in self._doors():
                doors.refuse_if_shut(door, who, now=timezone.now())
        except doors.TooOften as exc:
            refused = {"form": self.get_form_class()(request), "too_often": str(exc)}
            response = self.render_to_response(self.get_context_data(**refused), status=429)
            response["Retry-After"] = str(exc.wait_s)
            return response
        return super().post(request, *args, **kwargs)

    def form_invalid(self, form: AuthenticationForm) -> HttpResponse:
        """Count the failure, and show the form again with its sentence."""
        for door, who in self._doors():
            try:
                doors.knock(door, who, now=timezone.now())
            except doors.TooOften:
                continue  # the next one is told
        return self.render_to_response(self.get_context_data(form=form), status=422)

    def _doors(self) -> list[tuple[doors.Door, str]]:
        network = doors.network_of(self.request)
        address = self.request.POST.get("username", "").strip()
        return [(doors.SIGN_IN, f"{address} {network}"), (doors.SIGN_IN_FROM, network)]


@require_safe
def operators_sign_in(request: HttpRequest) -> HttpResponse:
    """Lead to the one form to sign in, whose tries are counted; members who are no operators find nothing."""
    if request.user.is_authenticated:
        raise Http404
    return redirect_to_login(request.GET.get("next", reverse("admin:index")))


@require_safe
@login_required
@never_cache
def page(request: HttpRequest) -> HttpResponse:
    """Show what the member holds, until when, and what else there is to do."""
    return _own_page(request, CodeForm())


@require_POST
@login_required
def redeem(request: HttpRequest) -> HttpResponse:
    """Take an invitation code."""
    member, now = as_member(request.user), timezone.now()
    form = CodeForm(request.POST)
    if not form.is_valid():
        return _own_page(request, form, status=422)
    try:
        doors.knock(doors.CODE, member.pk, now=now)
        grant = codes.redeem(form.cleaned_data["code"], member, now=now)
    except doors.TooOften as exc:
        form.add_error("code", str(exc))
        return _own_page(request, form, status=429)
    except codes.CodeRefused as exc:
        form.add_error("code", str(exc))
        return _own_page(request, form, status=422)
    end = f"until {moment(grant.ends_at)}" if grant.ends_at else "without an end"
    start = f"from {moment(grant.starts_at)} " if grant.starts_at > now else ""
    messages.success(request, f"You hold “{grant.tier}” {start}{end}.")
    return redirect("members:page")


@require_safe
def tiers(request: HttpRequest) -> HttpResponse:
    """What each tier opens."""
    lines = queries.tier_lines(rank_of(request.user, timezone.now()))
    return render(request, "academy/members/tiers.html", {"lines": lines})


def _own_page(request: HttpRequest, form: CodeForm, *, status: int = 200) -> HttpResponse:
    member, now = as_member(request.user), timezone.now()
    grants = queries.grants_in_force(member, now)
    to_come = queries.grants_to_come(member, now)
    shown = {grant.pk for grant in [*grants, *to_come]}
    context = {
        "grants": grants,
        "to_come": to_come,
        "over": [grant for grant in queries.grants_ever(member) if grant.pk not in shown],
        "sections": sections_for(member),
        "form": form,
    }
    return render(request, "academy/members/page.html", context, status=status)
