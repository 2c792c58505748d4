"""Addresses of the courses' desk."""

from django.urls import include, path

from academy.courses.hosting import demo_views, lesson_views, recording_views, views

lesson = [
    path("", lesson_views.edit, name="hosted_lesson"),
    path("move/", lesson_views.move, name="move_lesson"),
    path("remove/", lesson_views.remove, name="remove_lesson"),
    path("recording/", recording_views.recording, name="hosted_recording"),
    path("recording/remove/", recording_views.remove, name="remove_recording"),
    path("free-part/", recording_views.free_part, name="hosted_free_part"),
    path("free-part/state/", recording_views.free_part_state, name="free_part_state"),
    path("free-part/remove/", recording_views.remove_free_part, name="remove_free_part"),
    path("chapters/", recording_views.chapters, name="hosted_chapters"),
    path("captions/", recording_views.captions, name="hosted_captions"),
    path("captions/<slug:language>/remove/", recording_views.remove_captions, name="remove_captions"),
    path("attachments/", lesson_views.attachments, name="hosted_attachments"),
    path("attachments/<int:attachment_id>/remove/", lesson_views.detach, name="remove_attachment"),
    path("sheets/", lesson_views.sheets, name="hosted_sheets"),
    path("demos/", demo_views.demos, name="hosted_demos"),
    path("demos/<int:demo_id>/", demo_views.demo, name="hosted_demo"),
    path("demos/<int:demo_id>/prepare/", demo_views.prepare, name="prepare_demo"),
    path("demos/<int:demo_id>/remove/", demo_views.remove, name="remove_demo"),
    path(
        "demos/<int:demo_id>/variants/<int:variant_id>/remove/",
        demo_views.remove_variant,
        name="remove_variant",
    ),
]
course = [
    path("", views.desk, name="hosted_course"),
    path("edit/", views.edit, name="edit_course"),
    path("remove/", views.remove, name="remove_course"),
    path("publish/", views.publish, name="publish_course"),
    path("schedule/", views.schedule, name="schedule_course"),
    path("take-back/", views.take_back, name="take_back_course"),
    path("lessons/", lesson_views.new, name="new_lesson"),
    path("lessons/<slug:lesson_slug>/", include(lesson)),
]
urlpatterns = [
    path("", views.hosting, name="hosting"),
    path("new/", views.new, name="new_course"),
    path("preview/", views.preview, name="preview"),
    path("course/<slug:slug>/", include(course)),
]
