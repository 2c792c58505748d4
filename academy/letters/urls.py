"""Addresses of this room."""

from django.urls import path

from academy.letters import views

app_name = "letters"
urlpatterns = [
    path("", views.wanted, name="wanted"),
    path("off/<str:token>/", views.off, name="off"),
    path("hosting/", views.hosting, name="hosting"),
    path("hosting/again/<int:letter_id>/", views.again, name="again"),
    path("hosting/<slug:name>/", views.preview, name="preview"),
    path("hosting/<slug:name>/html/", views.preview_html, name="preview_html"),
]
