"""Addresses of this room."""

from django.urls import include, path

from academy.courses import views

app_name = "courses"
lesson = [
    path("", views.lesson, name="lesson"),
    path("recording", views.recording, name="recording"),
    path("free-part", views.free_part, name="free_part"),
    path("captions/<slug:language>.vtt", views.captions, name="captions"),
    path("attachments/<int:attachment_id>", views.attachment, name="attachment"),
    path("position/", views.position, name="position"),
    path("finished/", views.finished, name="finished"),
]
urlpatterns = [
    path("", views.course_list, name="list"),
    path("hosting/", include("academy.courses.hosting.urls")),
    path("demos/<int:demo_id>/state/", views.demo_state, name="demo_state"),
    path("demos/<slug:code>/segments/<int:index>", views.segment, name="demo_segment"),
    path("<slug:slug>/", views.course, name="course"),
    path("<slug:slug>/search/", views.search, name="search"),
    path("<slug:slug>/<slug:lesson_slug>/", include(lesson)),
]
