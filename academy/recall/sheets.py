"""Write recall sheets: begin one, change its draft, keep a version, show it, double it, take it away."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

from django.db import IntegrityError, transaction
from django.utils.text import slugify

from academy.members.models import Member
from academy.packs.models import StemPack
from academy.recall import exchange
from academy.recall.chain import Device, Place, Sheet, SheetRefused
from academy.recall.checking import checked_sheet
from academy.recall.models import RecallSheet, SheetVersion

LONGEST_SLUG = 50
RESERVED_SLUGS = {"hosting"}
LONGEST_NOTE = 300

CHANGED_MEANWHILE = (
    "The sheet was changed in another window meanwhile, so nothing was written. Look at it as it is now, and "
    "do your change again."
)


@transaction.atomic
def create_sheet(sheet: Sheet, *, pack: StemPack | None = None) -> RecallSheet:
    """A new sheet with this as its draft, at an address made of its title.

    Raises SheetRefused where the text of it would read otherwise, and for a track that the pack has not.
    """
    checked_sheet(sheet)
    _require_place(sheet, pack)
    fresh = {"pack": pack, "title": sheet.title, "draft": exchange.to_json(sheet)}
    try:
        with transaction.atomic():  # so that the outer one survives the constraint
            return RecallSheet.objects.create(slug=_free_slug(sheet.title), **fresh)
    except IntegrityError as exc:
        raise SheetRefused("Another sheet took this address at the same moment. Try once more.") from exc


def change_draft(row: RecallSheet, change: Callable[[Sheet], Sheet], *, seen: int) -> Sheet:
    """Write what `change` makes of the draft. `seen` is the draft's number when the person read it.

    Raises SheetRefused where it was changed meanwhile, and for what cannot be said on a sheet.
    """
    sheet = checked_sheet(change(row.draft_sheet()))
    _require_place(sheet, row.pack)
    _write_draft(row, sheet, seen=seen, pack=row.pack)
    return sheet


def change_devices(
    row: RecallSheet, change: Callable[[tuple[Device, ...]], tuple[Device, ...]], *, seen: int
) -> Sheet:
    """Write what `change` makes of the draft's chain. Raises SheetRefused like `change_draft`."""
    return change_draft(row, lambda sheet: replace(sheet, devices=change(sheet.devices)), seen=seen)


def change_facts(
    row: RecallSheet,
    *,
    title: str,
    place: Place,
    place_name: str,
    rate_hz: int,
    pack: StemPack | None,
    seen: int,
) -> Sheet:
    """Write the draft's title, what it is on, rate and pack. Raises SheetRefused like `change_draft`."""
    name = "" if place is Place.TWO_BUS else place_name
    sheet = checked_sheet(Sheet(title, place, name, rate_hz, row.draft_sheet().devices))
    _require_place(sheet, pack)
    _write_draft(row, sheet, seen=seen, pack=pack)
    return sheet


@transaction.atomic
def keep_version(
    row: RecallSheet, *, note: str, seen: int, host: Member | None, now: datetime
) -> SheetVersion:
    """Keep the draft as the next version. It never changes from then on.

    Raises SheetRefused for a chain without devices, for a draft like the last version, for a note that is too
    long, and where the draft was changed meanwhile.
    """
    held = RecallSheet.objects.select_for_update().get(pk=row.pk)
    if held.draft_number != seen:
        raise SheetRefused(CHANGED_MEANWHILE)
    if not held.draft_sheet().devices:
        raise SheetRefused(
            "A chain without a device says nothing. Add the first device, then keep a version."
        )
    if len(note) > LONGEST_NOTE:
        raise SheetRefused(f"A version’s note has {LONGEST_NOTE} letters at most.")
    last = held.versions.order_by("number").last()
    if last is not None and last.content == held.draft:
        raise SheetRefused(
            f"The sheet is the same as its version {last.number}. There is nothing new to keep."
        )
    return SheetVersion.objects.create(
        sheet=held,
        number=(last.number if last else 0) + 1,
        content=held.draft,
        note=note.strip(),
        kept_at=now,
        kept_by=host,
    )


def take_version_up(row: RecallSheet, version: SheetVersion, *, seen: int) -> Sheet:
    """Make a kept version the draft again. Raises SheetRefused like `change_draft`."""
    return change_draft(row, lambda _: version.content_sheet(), seen=seen)


def show(row: RecallSheet) -> None:
    """Show the sheet to those who may open its pack. Raises SheetRefused before a version is kept."""
    if not row.versions.exists():
        raise SheetRefused("Keep a first version; that is what readers will see.")
    _set_shown(row, is_shown=True)


def hide(row: RecallSheet) -> None:
    """Take the sheet out of the readers' lists. Lessons that show it go on doing so."""
    _set_shown(row, is_shown=False)


@transaction.atomic
def duplicate(row: RecallSheet) -> RecallSheet:
    """A new sheet of the same pack that begins with this one's draft; it has no versions yet."""
    draft = row.draft_sheet()
    copy = replace(draft, title=f"{draft.title[: 120 - len(' (copy)')]} (copy)")
    return create_sheet(copy, pack=row.pack)


def remove(row: RecallSheet) -> None:
    """Take the sheet and its versions away for good. Raises SheetRefused while a lesson shows it."""
    if is_linked(row):
        raise SheetRefused("A lesson shows this sheet. Take it out of the lesson first.")
    row.delete()


def is_linked(row: RecallSheet) -> bool:
    """Whether a room above shows the sheet; which rooms there are is not known here."""
    links = [link for link in RecallSheet._meta.related_objects if link.related_model is not SheetVersion]
    return any(getattr(row, str(link.get_accessor_name())).exists() for link in links)


def _set_shown(row: RecallSheet, *, is_shown: bool) -> None:
    RecallSheet.objects.filter(pk=row.pk).update(is_shown=is_shown)
    row.is_shown = is_shown


def _write_draft(row: RecallSheet, sheet: Sheet, *, seen: int, pack: StemPack | None) -> None:
    # Compare-and-set: of two hosts at once, exactly one gets the number that both have seen.
    fresh = {"title": sheet.title, "draft": exchange.to_json(sheet), "draft_number": seen + 1, "pack": pack}
    if not RecallSheet.objects.filter(pk=row.pk, draft_number=seen).update(**fresh):
        raise SheetRefused(CHANGED_MEANWHILE)
    row.refresh_from_db()


def _require_place(sheet: Sheet, pack: StemPack | None) -> None:
    if pack is None or sheet.place is not Place.TRACK:
        return
    names = list(pack.stems.values_list("name", flat=True))
    if sheet.place_name not in names:
        known = "; its stems are: " + ", ".join(names) if names else ", nor any other stem"
        raise SheetRefused(f"The pack {pack} has no stem “{sheet.place_name}”{known}.")


def _free_slug(title: str) -> str:
    stem = slugify(title)[:LONGEST_SLUG].strip("-") or "sheet"
    taken = set(
        RecallSheet.objects.filter(slug__startswith=stem[: LONGEST_SLUG - 4]).values_list("slug", flat=True)
    )
    taken |= RESERVED_SLUGS
    tries = (stem if number == 1 else f"{stem[: LONGEST_SLUG - 4]}-{number}" for number in range(1, 1_000))
    free = next((slug for slug in tries if slug not in taken), None)
    if free is None:
        raise SheetRefused(f"There are too many sheets called “{title}”. Choose another title.")
    return free
