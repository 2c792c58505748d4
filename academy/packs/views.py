"""Pages of the packs, and their downloads."""

from __future__ import annotations

from datetime import datetime

from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from academy.members.access import as_member
from academy.packs import access, building, ledger, naming, queries, terms
from academy.packs.forms import TermsForm
from academy.packs.models import Stem, StemPack
from academy.packs.terms import TermsChanged
from analysis.intake import delivery


@require_safe
def pack_list(request: HttpRequest) -> HttpResponse:
    """Show every pack there is."""
    return render(request, "academy/packs/list.html", {"packs": queries.packs_listed(request.user)})


@require_safe
def page(request: HttpRequest, slug: str) -> HttpResponse:
    """Show one pack: facts, stems, terms, and what this person can do."""
    pack = access.pack_for(request.user, slug)
    return _show(request, pack, _fresh_form(pack))


@require_POST
@login_required
def accept(request: HttpRequest, slug: str) -> HttpResponse:
    """Record that the member accepts the terms."""
    now = timezone.now()
    pack = access.pack_to_fetch(request.user, slug, now)
    form = TermsForm(request.POST)
    if not form.is_valid():
        return _show(request, pack, form, status=422)
    version = form.cleaned_data["terms_version"]
    try:
        terms.accept_terms(pack=pack, member=as_member(request.user), terms_version=version, now=now)
    except TermsChanged as exc:
        return _show(request, pack, _fresh_form(pack), refusal=str(exc), status=422)
    return redirect("packs:page", slug)


@require_safe
def building_part(request: HttpRequest, slug: str) -> HttpResponse:
    """The part of the page that says how far the archive is, for the page to refresh itself."""
    pack = access.pack_to_fetch(request.user, slug, timezone.now())
    return render(request, "academy/packs/building.html", _archive_context(pack))


@require_safe
def archive(request: HttpRequest, slug: str) -> HttpResponseBase:
    """Hand out the whole pack, once its terms are accepted."""
    now = timezone.now()
    pack = access.pack_to_fetch(request.user, slug, now)
    if terms.acceptance_of(pack, request.user) is None:
        return redirect("packs:page", slug)
    if not pack.archive_key:
        raise Http404
    response = delivery.hand_out(
        request,
        pack.archive_key,
        size_bytes=pack.archive_bytes,
        etag=pack.archive_sha256,
        content_type="application/zip",
        filename=building.archive_filename(pack),
    )
    return _noted(request, response, pack, None, now)


@require_safe
def stem(request: HttpRequest, slug: str, position: int) -> HttpResponseBase:
    """Hand out one stem, once the terms of its pack are accepted."""
    now = timezone.now()
    pack = access.pack_to_fetch(request.user, slug, now)
    one = access.stem_of(pack, position)
    if terms.acceptance_of(pack, request.user) is None:
        return redirect("packs:page", slug)
    response = delivery.hand_out(
        request,
        one.recording.storage_key,
        size_bytes=one.recording.size_bytes,
        etag=one.recording.sha256,
        content_type=naming.content_type_of(one.recording),
        filename=naming.stem_filename(one.position, one.name, one.recording),
    )
    return _noted(request, response, pack, one, now)


def _noted(
    request: HttpRequest, response: HttpResponseBase, pack: StemPack, one: Stem | None, now: datetime
) -> HttpResponseBase:
    ledger.note_download(request, response, pack=pack, member=as_member(request.user), stem=one, now=now)
    return response


def _fresh_form(pack: StemPack) -> TermsForm:
    return TermsForm(initial={"terms_version": pack.terms_version})


def _show(
    request: HttpRequest, pack: StemPack, form: TermsForm, *, refusal: str = "", status: int = 200
) -> HttpResponse:
    lines = queries.stem_lines(pack)
    may_fetch = access.may_fetch(request.user, pack, timezone.now())
    context = {
        "pack": pack,
        "lines": lines,
        "length_s": queries.longest_s(lines),
        "may_fetch": may_fetch,
        "accepted": terms.acceptance_of(pack, request.user) if may_fetch else None,
        "form": form,
        "refusal": refusal,
        **_archive_context(pack),
    }
    return render(request, "academy/packs/page.html", context, status=status)


def _archive_context(pack: StemPack) -> dict[str, object]:
    return {"pack": pack, "build_state": building.build_state(pack)}
