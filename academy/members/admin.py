"""Members, tiers and grants in the operator's pages."""

from __future__ import annotations

from django.contrib import admin

from academy.members.models import Grant, Member, Tier


class GrantInline(admin.TabularInline):
    """What the member holds, from when until when."""

    model = Grant
    fk_name = "member"
    fields = ("tier", "starts_at", "ends_at", "source", "reason")
    extra = 0


@admin.register(Member)
class MemberAdmin(admin.ModelAdmin):
    """A person with an account. The pass phrase is not shown or set here: `manage.py changepassword` does."""

    list_display = ("name", "email", "is_host")
    search_fields = ("name", "email")
    fields = ("name", "email", "is_host", "is_active", "is_staff")
    inlines = (GrantInline,)


@admin.register(Tier)
class TierAdmin(admin.ModelAdmin):
    """What memberships are called."""

    list_display = ("name", "rank")
    prepopulated_fields = {"slug": ("name",)}
