"""Addresses of this room."""

from django.urls import path

from academy.courses import views

app_name = "courses"
urlpatterns = [
    path("", views.course_list, name="list"),
    path("demos/<int:demo_id>/state/", views.demo_state, name="demo_state"),
    path("demos/<slug:code>/segments/<int:index>", views.segment, name="demo_segment"),
    path("<slug:slug>/", views.course, name="course"),
    path("<slug:slug>/<slug:lesson_slug>/", views.lesson, name="lesson"),
]
