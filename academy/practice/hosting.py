"""The teacher's pages of practising: who asks, and how the mixes of each pack differ as a whole."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from academy.members.guards import hosts_page
from academy.packs.access import pack_for
from academy.packs.models import StemPack
from academy.practice import access, asking, grounds, queries, spread
from academy.practice.forms import SectionsForm
from academy.practice.grounds import SectionsRefused


@hosts_page
@require_safe
def overview(request: HttpRequest) -> HttpResponse:
    """Who asks for notes, and the packs that are practised on."""
    page = {"queue": queries.queue(), "packs": queries.packs_practised(), "now": timezone.now()}
    return render(request, "academy/practice/hosting/overview.html", page)


@hosts_page
@require_http_methods(["GET", "HEAD", "POST"])
def pack(request: HttpRequest, slug: str) -> HttpResponse:
    """How the members' newest mixes of a pack differ, and where its sections begin."""
    found = pack_for(request.user, slug)
    if request.method == "POST":
        return _keep_sections(request, found)
    lines = grounds.sections_as_lines(grounds.sections_of(found))
    return _pack_page(request, found, SectionsForm(initial={"lines": lines}))


def _keep_sections(request: HttpRequest, pack: StemPack) -> HttpResponse:
    form = SectionsForm(request.POST)
    if form.is_valid():
        try:
            sections = grounds.sections_from_lines(form.cleaned_data["lines"])
        except SectionsRefused as exc:
            form.add_error("lines", str(exc))
        else:
            grounds.keep_sections(pack, sections)
            messages.success(request, "The sections are kept. Reports from now on go by them.")
            return redirect("practice:hosting_pack", pack.slug)
    return _pack_page(request, pack, form, status=422)


def _pack_page(
    request: HttpRequest, pack: StemPack, form: SectionsForm, *, status: int = 200
) -> HttpResponse:
    mixes = queries.newest_of_each(pack)
    founds = [mix.report.found for mix in mixes if mix.report.found["reference_meter"]]
    page = {
        "pack": pack,
        "form": form,
        "mixes": mixes,
        "stems": spread.stem_spread(founds),
        "bands": spread.band_spread(founds),
    }
    return render(request, "academy/practice/hosting/pack.html", page, status=status)


@hosts_page
@require_POST
def answered(request: HttpRequest, code: str) -> HttpResponse:
    """Take a version out of the queue: its notes are written."""
    mix = access.mix_for(request.user, code)
    asking.mark_answered(mix, now=timezone.now())
    messages.success(request, f"{mix.practice.member} finds your notes with the version.")
    return redirect("practice:hosting")
