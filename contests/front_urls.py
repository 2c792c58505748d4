"""The front page shows all that the site offers, so it lives on the top floor."""

from django.urls import path

from contests import front

urlpatterns = [path("", front.front, name="front")]
