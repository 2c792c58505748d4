"""Addresses of this room."""

from django.urls import include, path

from academy.recall import views
from academy.recall.hosting import devices
from academy.recall.hosting import views as hosting

app_name = "recall"

hosted = [
    path("", hosting.desk, name="hosted"),
    path("facts/", hosting.facts, name="facts"),
    path("text/", hosting.text, name="text"),
    path("draft/", hosting.draft, name="draft"),
    path("export/<slug:form>/", hosting.export, name="export_draft"),
    path("keep/", hosting.keep, name="keep"),
    path("show/", hosting.show, name="show"),
    path("duplicate/", hosting.duplicate, name="duplicate"),
    path("remove/", hosting.remove, name="remove"),
    path("versions/<int:number>/take-up/", hosting.take_up, name="take_up"),
    path("versions/<int:number>/difference/", hosting.draft_difference, name="draft_difference"),
    path("devices/", devices.add, name="add_device"),
    path("devices/<slug:trail>/", devices.device, name="device"),
    path("devices/<slug:trail>/do/<slug:act>/", devices.arrange, name="arrange_device"),
    path("devices/<slug:trail>/say/", devices.say, name="say"),
    path("devices/<slug:trail>/settings/", devices.setting, name="add_setting"),
    path("devices/<slug:trail>/settings/<int:number>/", devices.setting, name="setting"),
    path(
        "devices/<slug:trail>/settings/<int:number>/do/<slug:act>/",
        devices.arrange_setting,
        name="arrange_setting",
    ),
]

urlpatterns = [
    path("", views.sheet_list, name="list"),
    path("hosting/", hosting.hosting, name="hosting"),
    path("hosting/new/", hosting.new, name="new"),
    path("hosting/import/", hosting.take_in, name="import"),
    path("hosting/sheets/<slug:slug>/", include(hosted)),
    path("<slug:slug>/", views.sheet, name="sheet"),
    path("<slug:slug>/difference/", views.difference, name="difference"),
    path("<slug:slug>/versions/<int:number>/", views.sheet, name="version"),
    path("<slug:slug>/versions/<int:number>/print/", views.printed, name="print"),
    path("<slug:slug>/versions/<int:number>/export/<slug:form>/", views.export, name="export"),
]
