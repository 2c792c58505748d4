"""The pages of the desk. Each asks `access` first: for who is no host nothing of it is there."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from academy.members.access import VISITOR, imagined_people
from academy.members.guards import hosts_page
from academy.packs import access, arranging, auditing, building, mending, publishing, showing
from academy.packs.forms import TermsForm
from academy.packs.hosting import queries, showing_desk
from academy.packs.hosting.forms import FactsForm, NewPackForm, NewTermsForm, PublishForm, StemNameForm
from academy.packs.models import StemPack
from academy.packs.refusals import PackRefused

either = require_http_methods(["GET", "HEAD", "POST"])


@hosts_page
@require_safe
def pack_list(request: HttpRequest) -> HttpResponse:
    """Every pack with its desk."""
    return render(request, "academy/packs/hosting/list.html", {"packs": queries.packs_hosted()})


@hosts_page
@either
def new_pack(request: HttpRequest) -> HttpResponse:
    """Begin a pack."""
    form = NewPackForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            pack = publishing.create_pack(**form.cleaned_data)
        except PackRefused as exc:
            form.add_error(None, str(exc))
        else:
            return redirect("packs:hosting:desk", pack.slug)
    return _form_page(request, form, None, "academy/packs/hosting/new.html")


@hosts_page
@require_safe
def desk(request: HttpRequest, slug: str) -> HttpResponse:
    """Everything about one pack: its stems, what the audit says, its reference mix, its next version."""
    pack = access.pack_on_desk(request.user, slug)
    return render(request, "academy/packs/hosting/desk.html", showing_desk.context(pack, request.user))


@hosts_page
@require_safe
def state_part(request: HttpRequest, slug: str) -> HttpResponse:
    """The part of the desk that changes by itself, for the page to refresh."""
    pack = access.pack_on_desk(request.user, slug)
    return render(request, "academy/packs/hosting/state.html", showing_desk.context(pack, request.user))


@hosts_page
@either
def facts(request: HttpRequest, slug: str) -> HttpResponse:
    """Change what is said about the pack."""
    pack = access.pack_on_desk(request.user, slug)
    form = FactsForm(request.POST) if request.method == "POST" else FactsForm.of(pack)
    if form.is_valid():
        try:
            publishing.change_facts(pack, **form.cleaned_data)
        except PackRefused as exc:
            form.add_error(None, str(exc))
        else:
            messages.success(request, "The facts are changed.")
            return redirect("packs:hosting:desk", slug)
    return _form_page(request, form, pack, "academy/packs/hosting/facts.html")


@hosts_page
@either
def terms_page(request: HttpRequest, slug: str) -> HttpResponse:
    """Show every version of the terms and who accepted which, and write another one."""
    pack = access.pack_on_desk(request.user, slug)
    form = NewTermsForm(request.POST or None, initial={"terms": pack.terms})
    if request.method == "POST" and form.is_valid():
        publishing.change_terms(pack, form.cleaned_data["terms"], now=timezone.now())
        messages.success(
            request, f"Version {pack.terms_version} of the terms holds now; members are asked again."
        )
        return redirect("packs:hosting:terms", slug)
    return _form_page(request, form, pack, "academy/packs/hosting/terms.html")


@hosts_page
@require_POST
def audit(request: HttpRequest, slug: str) -> HttpResponse:
    """Have the desk audited again."""
    auditing.request_audit(access.pack_on_desk(request.user, slug))
    return redirect("packs:hosting:desk", slug)


@hosts_page
@require_POST
def fix(request: HttpRequest, slug: str) -> HttpResponse:
    """Have one of the fixes done that the audit offers."""
    pack = access.pack_on_desk(request.user, slug)
    named = request.POST.get("stem", "")
    stem = next((one for one in pack.stems.all() if str(one.pk) == named), None)
    try:
        mending.request_fix(pack, request.POST.get("fix", ""), stem)
    except PackRefused as exc:
        return _refused(request, pack, str(exc))
    return redirect("packs:hosting:desk", slug)


@hosts_page
@require_POST
def publish(request: HttpRequest, slug: str) -> HttpResponse:
    """Hand the desk out as a new version."""
    pack = access.pack_on_desk(request.user, slug)
    form = PublishForm(request.POST)
    if not form.is_valid():
        return _refused(request, pack, "Say what is new in 500 letters at most.")
    if pack.current is not None and not publishing.differs(pack):
        return _refused(request, pack, f"Nothing has changed since version {pack.current.number}.")
    try:
        version = publishing.publish(pack, changes=form.cleaned_data["changes"], now=timezone.now())
    except PackRefused as exc:
        return _refused(request, pack, str(exc))
    messages.success(request, f"Version {version.number} is published.")
    return redirect("packs:hosting:desk", slug)


@hosts_page
@require_POST
def build(request: HttpRequest, slug: str) -> HttpResponse:
    """Have the archives of the current version built again."""
    pack = access.pack_on_desk(request.user, slug)
    if pack.current is not None:
        building.request_build(pack.current)
    return redirect("packs:hosting:desk", slug)


@hosts_page
@require_safe
def preview(request: HttpRequest, slug: str) -> HttpResponse:
    """The pack's page with what lies on the desk, as a visitor, a member or a tier would see it."""
    pack = access.pack_on_desk(request.user, slug)
    people = imagined_people()
    asked = request.GET.get("as", VISITOR)
    seen_as = asked if asked in people else VISITOR
    context = showing.page_context(pack, pack, people[seen_as], timezone.now()) | {
        "form": TermsForm(),
        "choices": people,
        "seen_as": seen_as,
    }
    return render(request, "academy/packs/page.html", context)


@hosts_page
@require_safe
def ledger_page(request: HttpRequest, slug: str) -> HttpResponse:
    """Who fetched what, and who accepted which terms."""
    pack = access.pack_on_desk(request.user, slug)
    context = {
        "pack": pack,
        "downloads": queries.downloads_of(pack),
        "acceptances": queries.acceptances_of(pack),
        "most": queries.SHOWN_ROWS,
    }
    return render(request, "academy/packs/hosting/ledger.html", context)


@hosts_page
@either
def stem_page(request: HttpRequest, slug: str, stem_id: int) -> HttpResponse:
    """One stem: rename it, replace its recording, remove it."""
    pack = access.pack_on_desk(request.user, slug)
    stem = access.stem_on_desk(pack, stem_id)
    form = StemNameForm(request.POST or None, initial={"name": stem.name})
    if request.method == "POST" and form.is_valid():
        try:
            arranging.rename_stem(stem, form.cleaned_data["name"])
        except PackRefused as exc:
            form.add_error("name", str(exc))
        else:
            return redirect("packs:hosting:desk", slug)
    context = showing_desk.context(pack, request.user) | {"stem": stem, "form": form}
    return render(request, "academy/packs/hosting/stem.html", context, status=422 if form.errors else 200)


@hosts_page
@require_POST
def move(request: HttpRequest, slug: str, stem_id: int) -> HttpResponse:
    """Move a stem by one place."""
    stem = access.stem_on_desk(access.pack_on_desk(request.user, slug), stem_id)
    arranging.move_stem(stem, by=-1 if request.POST.get("to") == "earlier" else 1)
    return redirect("packs:hosting:desk", slug)


@hosts_page
@require_POST
def remove(request: HttpRequest, slug: str, stem_id: int) -> HttpResponse:
    """Take a stem off the desk."""
    stem = access.stem_on_desk(access.pack_on_desk(request.user, slug), stem_id)
    arranging.remove_stem(stem)
    messages.success(request, f"“{stem.name}” is off the desk; published versions keep it.")
    return redirect("packs:hosting:desk", slug)


def _form_page(
    request: HttpRequest, form: FactsForm | NewTermsForm, pack: StemPack | None, template: str
) -> HttpResponse:
    return render(request, template, {"form": form, "pack": pack}, status=422 if form.errors else 200)


def _refused(request: HttpRequest, pack: StemPack, sentence: str) -> HttpResponse:
    context = showing_desk.context(pack, request.user, refusal=sentence)
    return render(request, "academy/packs/hosting/desk.html", context, status=422)
