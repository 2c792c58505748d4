"""Addresses of the host's pages, all named `members:…`."""

from django.urls import path

from academy.members.hosting import setting_up_views, views

urlpatterns = [
    path("", views.member_list, name="hosting"),
    path("new/", views.new_member, name="hosted_new"),
    path("tiers/", setting_up_views.tiers, name="hosted_tiers"),
    path("tiers/new/", setting_up_views.tier, name="hosted_new_tier"),
    path("tiers/change/<slug:slug>/", setting_up_views.tier, name="hosted_tier"),
    path("codes/", setting_up_views.invitation_codes, name="hosted_codes"),
    path("codes/<int:pk>/stop/", setting_up_views.stop_code, name="hosted_stop_code"),
    path("lists/", setting_up_views.upload_list, name="hosted_upload"),
    path("lists/held/", setting_up_views.held_list, name="hosted_list"),
    path("<int:pk>/", views.member, name="hosted"),
    path("<int:pk>/give/", views.give, name="hosted_give"),
    path("<int:pk>/invite/", views.invite, name="hosted_invite"),
    path("<int:pk>/grants/<int:grant_pk>/end/", views.end, name="hosted_end"),
]
