"""The host's sheets: begin one, import one, its desk, its text, its versions."""

from __future__ import annotations

from collections.abc import Callable

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from academy.members.access import as_member
from academy.members.guards import hosts_page
from academy.recall import access, comparing, exchange, queries, sheets, showing
from academy.recall.arranging import walk
from academy.recall.chain import Place, Sheet, SheetRefused, where
from academy.recall.forms import FactsForm, ImportForm, KeepForm, TextForm
from academy.recall.hosting.seen import seen_number
from academy.recall.models import RecallSheet
from academy.recall.reading import read_devices, read_sheet
from academy.recall.views import exported
from academy.recall.writing import write_devices

DEVICE_ACTS = [("up", "Up"), ("down", "Down"), ("double", "Duplicate"), ("remove", "Remove")]
ANY = require_http_methods(["GET", "HEAD", "POST"])


@hosts_page
@require_safe
def hosting(request: HttpRequest) -> HttpResponse:
    """Every sheet, shown or not."""
    return render(request, "recall/hosting/list.html", {"sheets": queries.sheets_hosted()})


@hosts_page
@ANY
def new(request: HttpRequest) -> HttpResponse:
    """Begin a sheet."""
    form = FactsForm(request.POST or None)
    refusals: list[str] = []
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        place = Place(given["place"])
        name = "" if place is Place.TWO_BUS else given["place_name"]
        try:
            row = sheets.create_sheet(Sheet(given["title"], place, name, given["rate"]), pack=given["pack"])
        except SheetRefused as exc:
            refusals = exc.sentences
        else:
            return redirect("recall:hosted", row.slug)
    return _form_page(request, "recall/hosting/new.html", {"form": form, "refusals": refusals})


@hosts_page
@ANY
def take_in(request: HttpRequest) -> HttpResponse:
    """Import a sheet from a text or JSON file, or pasted."""
    form = ImportForm(request.POST or None, request.FILES or None)
    refusals: list[str] = []
    if request.method == "POST" and form.is_valid():
        try:
            row = sheets.create_sheet(_imported(form), pack=form.cleaned_data["pack"])
        except SheetRefused as exc:
            refusals = exc.sentences
        else:
            messages.success(request, f"{row.title} is imported. Keep a version of it when it is right.")
            return redirect("recall:hosted", row.slug)
    return _form_page(request, "recall/hosting/import.html", {"form": form, "refusals": refusals})


@hosts_page
@require_safe
def desk(request: HttpRequest, slug: str) -> HttpResponse:
    """One sheet's desk."""
    return desk_page(request, access.hosted_sheet(request.user, slug))


@hosts_page
@ANY
def facts(request: HttpRequest, slug: str) -> HttpResponse:
    """Change what the sheet is called, what it is on, its rate and its pack."""
    row = access.hosted_sheet(request.user, slug)
    draft = row.draft_sheet()
    now = {
        "title": draft.title,
        "place": draft.place.value,
        "place_name": draft.place_name,
        "pack": row.pack,
        "rate": f"{draft.rate_hz / 1000:g} kHz",
    }
    form = FactsForm(request.POST or None, initial=now)
    refusals: list[str] = []
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        try:
            sheets.change_facts(
                row,
                title=given["title"],
                place=Place(given["place"]),
                place_name=given["place_name"],
                rate_hz=given["rate"],
                pack=given["pack"],
                seen=seen_number(request),
            )
        except SheetRefused as exc:
            refusals = exc.sentences
        else:
            return redirect("recall:hosted", row.slug)
    return _form_page(request, "recall/hosting/facts.html", {"row": row, "form": form, "refusals": refusals})


@hosts_page
@ANY
def text(request: HttpRequest, slug: str) -> HttpResponse:
    """Change the whole chain as text."""
    row = access.hosted_sheet(request.user, slug)
    form = TextForm(request.POST or None, initial={"text": write_devices(row.draft_sheet().devices)})
    refusals: list[str] = []
    if request.method == "POST" and form.is_valid():
        try:
            devices = read_devices(form.cleaned_data["text"])
            sheets.change_devices(row, lambda _: devices, seen=seen_number(request))
        except SheetRefused as exc:
            refusals = exc.sentences
        else:
            return redirect("recall:hosted", row.slug)
    return _form_page(request, "recall/hosting/text.html", {"row": row, "form": form, "refusals": refusals})


@hosts_page
@require_safe
def draft(request: HttpRequest, slug: str) -> HttpResponse:
    """The draft as readers would see it."""
    row = access.hosted_sheet(request.user, slug)
    page = {"row": row, "sheet_page": showing.page_of(row.draft_sheet()), "top": 2, "is_host": True}
    return render(request, "recall/sheet.html", page)


@hosts_page
@require_safe
def export(request: HttpRequest, slug: str, form: str) -> HttpResponse:
    """Hand out the draft as text or as JSON."""
    row = access.hosted_sheet(request.user, slug)
    return exported(row.draft_sheet(), form, name=row.slug)


@hosts_page
@require_safe
def draft_difference(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """What the draft changes in a kept version."""
    row = access.hosted_sheet(request.user, slug)
    before = access.version_of(row, number)
    parts = comparing.differences(before.content_sheet(), row.draft_sheet())
    page = {
        "row": row,
        "before": before,
        "parts": parts,
        "is_same": comparing.is_same(parts),
        "is_host": True,
    }
    return render(request, "recall/difference.html", page)


@hosts_page
@require_POST
def keep(request: HttpRequest, slug: str) -> HttpResponse:
    """Keep the draft as a version."""
    row = access.hosted_sheet(request.user, slug)
    form = KeepForm(request.POST)
    if not form.is_valid():
        return desk_page(request, row, keep_form=form, status=422)
    try:
        version = sheets.keep_version(
            row,
            note=form.cleaned_data["note"],
            seen=seen_number(request),
            host=as_member(request.user),
            now=timezone.now(),
        )
    except SheetRefused as exc:
        return desk_page(request, row, refusals=exc.sentences)
    messages.success(request, f"Version {version.number} is kept; it never changes from now on.")
    return redirect("recall:hosted", row.slug)


@hosts_page
@require_POST
def take_up(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """Make a kept version the draft again."""
    row = access.hosted_sheet(request.user, slug)
    version = access.version_of(row, number)
    return _done(
        request,
        row,
        lambda: sheets.take_version_up(row, version, seen=seen_number(request)),
        f"The draft is version {number} again.",
    )


@hosts_page
@require_POST
def show(request: HttpRequest, slug: str) -> HttpResponse:
    """Show the sheet to readers, or hide it from them."""
    row = access.hosted_sheet(request.user, slug)
    if request.POST.get("shown") == "no":
        return _done(request, row, lambda: sheets.hide(row), "Readers no longer find the sheet on its own.")
    return _done(request, row, lambda: sheets.show(row), "Whoever may open the pack can read the sheet now.")


@hosts_page
@require_POST
def duplicate(request: HttpRequest, slug: str) -> HttpResponse:
    """Begin another sheet with this one's draft."""
    row = access.hosted_sheet(request.user, slug)
    try:
        copy = sheets.duplicate(row)
    except SheetRefused as exc:
        return desk_page(request, row, refusals=exc.sentences)
    messages.success(request, "This is the copy. Give it its own title, and say what it is on.")
    return redirect("recall:facts", copy.slug)


@hosts_page
@ANY
def remove(request: HttpRequest, slug: str) -> HttpResponse:
    """Say what is lost with the sheet, and take it away."""
    row = access.hosted_sheet(request.user, slug)
    refusals: list[str] = []
    if request.method == "POST":
        try:
            sheets.remove(row)
        except SheetRefused as exc:
            refusals = exc.sentences
        else:
            messages.success(request, f"{row.title} is gone, with its versions.")
            return redirect("recall:hosting")
    page = {"row": row, "versions": queries.versions_of(row), "refusals": refusals}
    return _form_page(request, "recall/hosting/remove.html", page)


def desk_page(
    request: HttpRequest,
    row: RecallSheet,
    *,
    refusals: list[str] | None = None,
    keep_form: KeepForm | None = None,
    status: int = 200,
) -> HttpResponse:
    """The desk, perhaps with what was refused."""
    if refusals:
        row.refresh_from_db()
    sheet = row.draft_sheet()
    versions = queries.versions_of(row)
    page = {
        "row": row,
        "sheet": sheet,
        "where": where(sheet),
        "placed": list(walk(sheet.devices)),
        "versions": versions,
        "is_kept": bool(versions) and versions[0].content == row.draft,
        "next_number": (versions[0].number if versions else 0) + 1,
        "acts": DEVICE_ACTS,
        "keep_form": keep_form or KeepForm(),
        "refusals": refusals or [],
    }
    return render(request, "recall/hosting/desk.html", page, status=422 if refusals else status)


def _imported(form: ImportForm) -> Sheet:
    """The sheet of a file or of the pasted text. Raises SheetRefused."""
    file, pasted = form.cleaned_data["file"], form.cleaned_data["text"]
    if bool(file) == bool(pasted.strip()):
        raise SheetRefused("Choose a file or paste a text: one of them.")
    if file:
        if file.size > exchange.LARGEST_JSON:
            raise SheetRefused(f"A recall sheet is smaller than {exchange.LARGEST_JSON // 1024} KiB.")
        try:
            pasted = file.read().decode("utf-8-sig")
        except UnicodeDecodeError as exc:
            raise SheetRefused(
                "The file is not in UTF-8. Save it as UTF-8 text, then import it again."
            ) from exc
    is_json = pasted.lstrip().startswith("{")
    return exchange.read_json(pasted) if is_json else read_sheet(pasted)


def _done(request: HttpRequest, row: RecallSheet, act: Callable[[], object], words: str) -> HttpResponse:
    try:
        act()
    except SheetRefused as exc:
        return desk_page(request, row, refusals=exc.sentences)
    messages.success(request, words)
    return redirect("recall:hosted", row.slug)


def _form_page(request: HttpRequest, template: str, page: dict[str, object]) -> HttpResponse:
    return render(request, template, page, status=422 if request.method == "POST" else 200)
