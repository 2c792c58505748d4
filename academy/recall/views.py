"""Pages of the recall sheets for those who read them."""

from __future__ import annotations

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from academy.members.access import is_host
from academy.recall import access, comparing, exchange, queries, showing
from academy.recall.chain import Sheet
from academy.recall.models import RecallSheet, SheetVersion
from academy.recall.writing import write_sheet
from analysis.intake.delivery import to_save


@require_safe
def sheet_list(request: HttpRequest) -> HttpResponse:
    """Show every sheet that the person may know of."""
    lines = queries.sheets_listed(request.user, timezone.now())
    page = {
        "lines": lines,
        "is_host": is_host(request.user),
        "some_locked": any(not line.is_open for line in lines),
    }
    return render(request, "recall/list.html", page)


@require_safe
def sheet(request: HttpRequest, slug: str, number: int | None = None) -> HttpResponse:
    """Show one sheet: its last version, or the one asked for."""
    row = access.sheet_for(request.user, slug, timezone.now())
    version = access.version_of(row, number)
    page = _page(request, row, version) | {"sheet_page": showing.page_of(version.content_sheet()), "top": 2}
    return render(request, "recall/sheet.html", page)


@require_safe
def printed(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """One version as a single table, for the printer."""
    row = access.sheet_for(request.user, slug, timezone.now())
    version = access.version_of(row, number)
    page = _page(request, row, version) | {"sheet_page": showing.page_of(version.content_sheet())}
    return render(request, "recall/printed.html", page)


@require_safe
def export(request: HttpRequest, slug: str, number: int, form: str) -> HttpResponse:
    """Hand out one version as text or as JSON."""
    row = access.sheet_for(request.user, slug, timezone.now())
    version = access.version_of(row, number)
    return exported(version.content_sheet(), form, name=f"{row.slug}-version-{version.number}")


@require_safe
def difference(request: HttpRequest, slug: str) -> HttpResponse:
    """Show what differs between two versions: the last two, or those asked for."""
    row = access.sheet_for(request.user, slug, timezone.now())
    after = access.version_of(row, _number(request, "to"))
    before = access.version_of(row, _number(request, "from") or max(1, after.number - 1))
    parts = comparing.differences(before.content_sheet(), after.content_sheet())
    page = _page(request, row, after) | {
        "before": before,
        "parts": parts,
        "is_same": comparing.is_same(parts),
    }
    return render(request, "recall/difference.html", page)


def exported(content: Sheet, form: str, *, name: str) -> HttpResponse:
    """A sheet as a file to keep. Raises Http404 for a form that there is not."""
    if form == "text":
        ending, kind, body = "txt", "text/plain; charset=utf-8", write_sheet(content)
    elif form == "json":
        ending, kind, body = "json", "application/json", exchange.write_json(content)
    else:
        raise Http404
    return to_save(body, filename=f"{name}.{ending}", content_type=kind)


def _page(request: HttpRequest, row: RecallSheet, version: SheetVersion) -> dict[str, object]:
    return {
        "row": row,
        "version": version,
        "versions": queries.versions_of(row),
        "is_host": is_host(request.user),
    }


def _number(request: HttpRequest, name: str) -> int | None:
    said = request.GET.get(name, "")
    if not said:
        return None
    if not said.isdecimal() or len(said) > 9:
        raise Http404
    return int(said)
