"""The host's chain, device by device: put in, changed, moved, doubled, taken out; and each setting of one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from academy.members.guards import hosts_page
from academy.recall import access, arranging, sheets
from academy.recall.arranging import Devices, Trail, read_trail
from academy.recall.chain import Device, Path, Setting, SheetRefused
from academy.recall.checking import checked_setting
from academy.recall.forms import (
    SPLITS,
    VALUE_FORMS,
    DeviceForm,
    PathForm,
    SettingForms,
    form_word_of,
    split_word_of,
)
from academy.recall.hosting.seen import seen_number
from academy.recall.hosting.views import desk_page
from academy.recall.models import RecallSheet
from academy.recall.phrases import read_setting
from academy.recall.writing import typeset, write_setting

SETTING_ACTS = [("up", "Up"), ("down", "Down"), ("remove", "Remove")]
ANY = require_http_methods(["GET", "HEAD", "POST"])


@hosts_page
@ANY
def add(request: HttpRequest, slug: str) -> HttpResponse:
    """Put a device at the end of the chain, or with `?inside=` into another one."""
    row = access.hosted_sheet(request.user, slug)
    inside = request.GET.get("inside", "")
    holder = _device(row, inside) if inside else None
    form = DeviceForm(request.POST or None)
    path_form = PathForm(request.POST or None) if inside else None
    refusals: list[str] = []
    if request.method == "POST" and form.is_valid() and (path_form is None or path_form.is_valid()):
        path = Path(path_form.cleaned_data["path"]) if path_form else Path.INSERT
        trail = read_trail(inside) if inside else None
        device = Device(**form.facts())
        try:
            sheets.change_devices(
                row,
                lambda devices: arranging.with_device(devices, device, inside=trail, path=path),
                seen=seen_number(request),
            )
        except SheetRefused as exc:
            refusals = exc.sentences
        else:
            return redirect("recall:hosted", row.slug)
    page = {"row": row, "form": form, "path_form": path_form, "holder": holder, "refusals": refusals}
    return _page(request, "recall/hosting/add.html", page)


@hosts_page
@ANY
def device(request: HttpRequest, slug: str, trail: str) -> HttpResponse:
    """One device: its own facts, and its settings."""
    row = access.hosted_sheet(request.user, slug)
    found = _device(row, trail)
    form = DeviceForm(request.POST or None, initial=DeviceForm.initial_of(found))
    refusals: list[str] = []
    if request.method == "POST" and form.is_valid():
        facts = form.facts()
        try:
            _change(row, trail, lambda old: replace(old, **facts), seen_number(request))
        except SheetRefused as exc:
            refusals = exc.sentences
        else:
            return redirect("recall:device", row.slug, trail)
    return _device_page(request, row, trail, form=form, refusals=refusals)


@hosts_page
@require_POST
def arrange(request: HttpRequest, slug: str, trail: str, act: str) -> HttpResponse:
    """Move a device up or down, double it, or take it out."""
    row = access.hosted_sheet(request.user, slug)
    acts: dict[str, Callable[[Devices, Trail], Devices]] = {
        "up": lambda devices, at: arranging.moved(devices, at, -1),
        "down": lambda devices, at: arranging.moved(devices, at, 1),
        "double": arranging.doubled,
        "remove": arranging.without,
    }
    if act not in acts:
        raise Http404
    try:
        at = read_trail(trail)
        sheets.change_devices(row, lambda devices: acts[act](devices, at), seen=seen_number(request))
    except SheetRefused as exc:
        return desk_page(request, row, refusals=exc.sentences)
    return redirect("recall:hosted", row.slug)


@hosts_page
@require_POST
def say(request: HttpRequest, slug: str, trail: str) -> HttpResponse:
    """Add a setting as an engineer would say it."""
    row = access.hosted_sheet(request.user, slug)
    line = request.POST.get("line", "")
    try:
        setting = read_setting(line)
        _change(row, trail, lambda old: arranging.with_setting(old, setting), seen_number(request))
    except SheetRefused as exc:
        refusals = exc.sentences
    else:
        return redirect("recall:device", row.slug, trail)
    return _device_page(request, row, trail, refusals=refusals, line=line)


@hosts_page
@ANY
def setting(request: HttpRequest, slug: str, trail: str, number: int | None = None) -> HttpResponse:
    """One setting by its form, a new one or that at `number`. `?as=` is its kind, `?for=` its channels."""
    row = access.hosted_sheet(request.user, slug)
    found = _setting(_device(row, trail), number) if number is not None else None
    word = request.GET.get("as") or (form_word_of(found.values[0][1]) if found else "quantity")
    split = request.GET.get("for") or (split_word_of(found) if found else "both")
    if word not in VALUE_FORMS or split not in SPLITS:
        raise Http404
    given = SettingForms(word, split, data=request.POST or None, setting=found)
    refusals: list[str] = []
    if request.method == "POST" and given.is_valid():
        try:
            said = checked_setting(given.setting())
            _change(row, trail, lambda old: arranging.with_setting(old, said, number), seen_number(request))
        except SheetRefused as exc:
            refusals = exc.sentences
        else:
            return redirect("recall:device", row.slug, trail)
    page = {
        "row": row,
        "trail": trail,
        "device": _device(row, trail),
        "number": number,
        "forms": given,
        "word": word,
        "split": split,
        "kinds": [(kind, words) for kind, (words, _, _) in VALUE_FORMS.items()],
        "splits": [(name, name.replace("-", " and ")) for name in SPLITS],
        "refusals": refusals,
    }
    return _page(request, "recall/hosting/setting.html", page)


@hosts_page
@require_POST
def arrange_setting(request: HttpRequest, slug: str, trail: str, number: int, act: str) -> HttpResponse:
    """Move a setting up or down, or take it out."""
    row = access.hosted_sheet(request.user, slug)
    acts: dict[str, Callable[[Device], Device]] = {
        "up": lambda old: replace(old, settings=arranging.shifted(old.settings, number - 1, -1)),
        "down": lambda old: replace(old, settings=arranging.shifted(old.settings, number - 1, 1)),
        "remove": lambda old: arranging.without_setting(old, number),
    }
    if act not in acts:
        raise Http404
    try:
        _change(row, trail, acts[act], seen_number(request))
    except SheetRefused as exc:
        return _device_page(request, row, trail, refusals=exc.sentences)
    return redirect("recall:device", row.slug, trail)


def _device_page(
    request: HttpRequest,
    row: RecallSheet,
    trail: str,
    *,
    form: DeviceForm | None = None,
    refusals: list[str] | None = None,
    line: str = "",
) -> HttpResponse:
    if refusals:
        row.refresh_from_db()
    found = _device(row, trail)
    page = {
        "row": row,
        "trail": trail,
        "device": found,
        "name": found.name or found.kind.value.capitalize(),
        "form": form or DeviceForm(initial=DeviceForm.initial_of(found)),
        "lines": [typeset(write_setting(one)) for one in found.settings],
        "kinds": [(kind, words) for kind, (words, _, _) in VALUE_FORMS.items()],
        "acts": SETTING_ACTS,
        "line": line,
        "refusals": refusals or [],
    }
    return _page(request, "recall/hosting/device.html", page)


def _device(row: RecallSheet, trail: str) -> Device:
    """The device at a trail of the draft. Raises Http404 where there is none."""
    try:
        return arranging.device_at(row.draft_sheet().devices, read_trail(trail))
    except SheetRefused as exc:
        raise Http404 from exc


def _setting(device: Device, number: int) -> Setting:
    if not 1 <= number <= len(device.settings):
        raise Http404
    return device.settings[number - 1]


def _change(row: RecallSheet, trail: str, change: Callable[[Device], Device], seen: int) -> None:
    at = read_trail(trail)
    sheets.change_devices(row, lambda devices: arranging.changed_at(devices, at, change), seen=seen)


def _page(request: HttpRequest, template: str, page: dict[str, object]) -> HttpResponse:
    return render(request, template, page, status=422 if request.method == "POST" else 200)
