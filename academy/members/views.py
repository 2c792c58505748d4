"""Sign in, and a member's own page."""

from __future__ import annotations

from typing import Any

from django.contrib.auth.decorators import login_required
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from academy.members import queries
from academy.members.access import as_member
from academy.members.forms import SignInForm
from academy.members.sections import sections_for


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

    def form_invalid(self, form: AuthenticationForm) -> HttpResponse:
        """Show the form again with its sentence."""
        return self.render_to_response(self.get_context_data(form=form), status=422)


@require_safe
@login_required
def page(request: HttpRequest) -> HttpResponse:
    """Show what the member holds, until when, and what else there is to do."""
    member = as_member(request.user)
    context = {
        "grants": queries.grants_in_force(member, timezone.now()),
        "sections": sections_for(member),
    }
    return render(request, "academy/members/page.html", context)
