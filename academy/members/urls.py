"""Addresses of this room."""

from django.contrib.auth.views import LogoutView
from django.urls import path

from academy.members import views

app_name = "members"
urlpatterns = [
    path("", views.page, name="page"),
    path("sign-in/", views.SignIn.as_view(), name="sign_in"),
    path("sign-out/", LogoutView.as_view(), name="sign_out"),
]
