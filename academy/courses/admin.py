"""Courses and lessons in the operator's pages."""

from __future__ import annotations

from django.contrib import admin

from academy.courses.models import Course, Lesson


class LessonInline(admin.StackedInline):
    """The lessons in order."""

    model = Lesson
    extra = 0
    exclude = ("recording", "excerpt", "free_from_s", "free_until_s", "chapters", "sheets")  # the desk's


@admin.register(Course)
class CourseAdmin(admin.ModelAdmin):
    """A course with its lessons."""

    list_display = ("title", "publish_at")
    prepopulated_fields = {"slug": ("title",)}
    inlines = (LessonInline,)
