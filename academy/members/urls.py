"""Addresses of this room."""

from django.contrib.auth.views import LogoutView
from django.urls import include, path

from academy.members import account_views, leaving_views, views
from academy.members.payments.views import receive

app_name = "members"
urlpatterns = [
    path("", views.page, name="page"),
    path("sign-in/", views.SignIn.as_view(), name="sign_in"),
    path("sign-out/", LogoutView.as_view(), name="sign_out"),
    path("tiers/", views.tiers, name="tiers"),
    path("code/", views.redeem, name="redeem"),
    path("join/", account_views.join, name="join"),
    path("forgotten/", account_views.forgotten, name="forgotten"),
    path("written/", account_views.written, name="written"),
    path("links/<str:token>/", account_views.link, name="link"),
    path("account/", account_views.account, name="account"),
    path("account/name/", account_views.name, name="change_name"),
    path("account/address/", account_views.address, name="change_address"),
    path("account/pass-phrase/", account_views.pass_phrase, name="change_pass_phrase"),
    path("data/", leaving_views.data, name="data"),
    path("data/own.zip", leaving_views.archive, name="archive"),
    path("leave/", leaving_views.leave, name="leave"),
    path("payments/", receive, name="payments"),
    path("hosting/", include("academy.members.hosting.urls")),
]
