"""Members, tiers, grants, and signing in."""

from django.apps import AppConfig


class MembersConfig(AppConfig):
    """Registers the room with Django."""

    name = "academy.members"
    label = "members"
