"""Addresses of this room, all named `contests:…`."""

from django.urls import path

from contests.hosting import message_views, panel_views, views

urlpatterns = [
    path("", views.hosting, name="hosting"),
    path("<slug:slug>/", views.desk, name="hosted"),
    path("<slug:slug>/progress/", views.progress, name="host_progress"),
    path("<slug:slug>/do/<slug:name>/", views.step, name="host_step"),
    path("<slug:slug>/names/", views.names, name="host_names"),
    path("<slug:slug>/entries.csv", views.entries_table, name="host_entries_csv"),
    path("<slug:slug>/plan/", views.match_plan, name="host_plan"),
    path("<slug:slug>/messages/", message_views.host_messages, name="host_messages"),
    path("<slug:slug>/log/", views.log, name="host_log"),
    path("<slug:slug>/panel/", panel_views.seat, name="host_seat"),
    path("<slug:slug>/panel/<int:judge_id>/", panel_views.judge, name="host_judge"),
    path("<slug:slug>/panel/<int:judge_id>/conflict/", panel_views.conflict, name="host_conflict"),
    path("<slug:slug>/panel/<int:judge_id>/drop-out/", panel_views.drop_out, name="host_drop_out"),
    path("<slug:slug>/panel/<int:judge_id>/take-away/", panel_views.unseat, name="host_unseat"),
]
