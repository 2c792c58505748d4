"""Addresses of resumable uploads, named `uploads:…`."""

from django.urls import path

from analysis.intake.resumable import views

app_name = "uploads"
urlpatterns = [
    path("", views.uploads, name="all"),
    path("<uuid:upload_id>", views.upload, name="one"),
]
