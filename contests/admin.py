"""Set up a contest in the operator's pages: brief, dates, rubric, prizes. It is run on the host's desk."""

from __future__ import annotations

from django.contrib import admin
from django.db import models

from contests.models import Contest, Criterion, Prize, Sponsor


class CriterionInline(admin.TabularInline):
    """The rubric, a line each."""

    model = Criterion
    extra = 1


class SponsorInline(admin.TabularInline):
    """Who gives prizes."""

    model = Sponsor
    extra = 0
    formfield_overrides = {models.URLField: {"assume_scheme": "https"}}


class PrizeInline(admin.TabularInline):
    """What may be won."""

    model = Prize
    extra = 0
    exclude = ("is_kept_back",)


@admin.register(Contest)
class ContestAdmin(admin.ModelAdmin):
    """A draft is written here; its state moves on the host's desk only, where each step is recorded."""

    list_display = ("title", "state", "closes_at")
    readonly_fields = ("state", "rules_version", "publish_at")
    prepopulated_fields = {"slug": ("title",)}
    inlines = (CriterionInline, SponsorInline, PrizeInline)
