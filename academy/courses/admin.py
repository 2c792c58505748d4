"""Courses and lessons in the operator's pages."""

from __future__ import annotations

from django.contrib import admin

from academy.courses.models import Course, Lesson


class LessonInline(admin.StackedInline):
    """The lessons in order."""

    model = Lesson
    extra = 0


@admin.register(Course)
class CourseAdmin(admin.ModelAdmin):
    """A course with its lessons."""

    list_display = ("title", "publish_at")
    prepopulated_fields = {"slug": ("title",)}
    inlines = (LessonInline,)
