"""What stands before the operator's pages, under their address."""

from django.urls import path

from academy.members import views

urlpatterns = [path("login/", views.operators_sign_in)]
