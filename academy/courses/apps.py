"""Courses, lessons and their before/after demos."""

from django.apps import AppConfig


class CoursesConfig(AppConfig):
    """Registers the room with Django."""

    name = "academy.courses"
    label = "courses"
