"""Pages of the packs, and their downloads."""

from __future__ import annotations

from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from academy.members.access import as_member
from academy.packs import access, building, converting, ledger, naming, previewing, queries, showing, terms
from academy.packs.forms import TermsForm
from academy.packs.ledger import TooManyDownloads
from academy.packs.models import PackVersion, PublishedStem, SoundForm, StemPack
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


@require_safe
def version(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """The address of one version: the pack's own page for the current one, a word on where it went else."""
    pack = access.pack_for(request.user, slug)
    found = access.version_of(pack, number)
    return redirect("packs:page", slug) if found == pack.current else _gone(request, found)


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
    """The part of the page that says how far the archives are, for the page to refresh itself."""
    pack = access.pack_to_fetch(request.user, slug, timezone.now())
    return render(request, "academy/packs/building.html", showing.archives_context(pack))


@require_safe
def archive(request: HttpRequest, slug: str, number: int, form: SoundForm) -> HttpResponseBase:
    """Hand out the whole pack in one form, once its terms are accepted."""
    pack = access.pack_to_fetch(request.user, slug, timezone.now())
    found = access.version_of(pack, number)
    if found != pack.current:
        return _gone(request, found)
    if terms.acceptance_of(pack, request.user) is None:
        return redirect("packs:page", slug)
    built = get_object_or_404(found.archives, form=form)
    return _hand_out(
        request,
        found,
        form,
        None,
        key=built.storage_key,
        size_bytes=built.size_bytes,
        etag=built.sha256,
        content_type="application/zip",
        filename=building.archive_filename(found, form),
    )


@require_safe
def stem(request: HttpRequest, slug: str, number: int, form: SoundForm, position: int) -> HttpResponseBase:
    """Hand out one stem in one form, once the terms of its pack are accepted."""
    pack = access.pack_to_fetch(request.user, slug, timezone.now())
    found = access.version_of(pack, number)
    if found != pack.current:
        return _gone(request, found)
    one = access.stem_of(found, position)
    if terms.acceptance_of(pack, request.user) is None:
        return redirect("packs:page", slug)
    file = converting.kept_files([one.recording], form).get(one.recording_id)
    if file is None:
        raise Http404
    return _hand_out(
        request,
        found,
        form,
        one,
        key=file.storage_key,
        size_bytes=file.size_bytes,
        etag=file.sha256,
        content_type=converting.CONTENT_TYPES[file.form],
        filename=naming.stem_filename(one.position, one.name, file.form),
    )


@require_safe
def segment(request: HttpRequest, slug: str, number: int, position: int, index: int) -> HttpResponseBase:
    """Hand out one segment of a stem to whoever may fetch the pack, before the terms are accepted too."""
    pack = access.pack_to_fetch(request.user, slug, timezone.now())
    found = access.version_of(pack, number)
    if found != pack.current:
        raise Http404
    return previewing.hand_out(request, access.stem_of(found, position), index)


def _hand_out(
    request: HttpRequest,
    version: PackVersion,
    form: SoundForm,
    one: PublishedStem | None,
    *,
    key: str,
    size_bytes: int,
    etag: str,
    content_type: str,
    filename: str,
) -> HttpResponseBase:
    try:
        ledger.note_download(
            request,
            version=version,
            form=form,
            stem=one,
            size_bytes=size_bytes,
            etag=etag,
            member=as_member(request.user),
            now=timezone.now(),
        )
    except TooManyDownloads as exc:
        context = {"pack": version.pack, "sentence": str(exc)}
        refused = render(request, "academy/packs/too_many.html", context, status=429)
        refused["Retry-After"] = str(exc.again_s)
        return refused
    return delivery.hand_out(
        request,
        key,
        size_bytes=size_bytes,
        etag=etag,
        content_type=content_type,
        filename=filename,
        may_hand_on=True,
    )


def _gone(request: HttpRequest, version: PackVersion) -> HttpResponse:
    """An old version's bytes are never sent under any address again, so nothing can be spliced."""
    context = {"pack": version.pack, "version": version, "current": version.pack.current}
    return render(request, "academy/packs/gone.html", context, status=410)


def _fresh_form(pack: StemPack) -> TermsForm:
    return TermsForm(initial={"terms_version": pack.terms_version})


def _show(
    request: HttpRequest, pack: StemPack, form: TermsForm, *, refusal: str = "", status: int = 200
) -> HttpResponse:
    context = showing.page_context(pack, pack.current or pack, request.user, timezone.now())
    context |= {"form": form, "refusal": refusal}
    return render(request, "academy/packs/page.html", context, status=status)
