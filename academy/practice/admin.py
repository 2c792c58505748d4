"""What the operator sets of practising: how often each tier may ask the teacher."""

from __future__ import annotations

from django.contrib import admin

from academy.practice.models import FeedbackAllowance


@admin.register(FeedbackAllowance)
class FeedbackAllowanceAdmin(admin.ModelAdmin):
    """A tier with how many times a year its members may ask."""

    list_display = ("tier", "each_year")
