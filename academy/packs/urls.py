"""Addresses of this room. Whatever is handed out lies under the number of its version."""

from django.urls import include, path, register_converter

from academy.packs import views
from academy.packs.models import SoundForm


class SoundFormInAddress:
    """`wav` or `flac`."""

    regex = "|".join(SoundForm.values)

    def to_python(self, value: str) -> SoundForm:
        """The form that an address names."""
        return SoundForm(value)

    def to_url(self, form: str) -> str:
        """How an address names a form."""
        return SoundForm(form).value


register_converter(SoundFormInAddress, "sound_form")

app_name = "packs"
urlpatterns = [
    path("", views.pack_list, name="list"),
    path("hosting/", include("academy.packs.hosting.urls")),
    path("<slug:slug>/", views.page, name="page"),
    path("<slug:slug>/terms/", views.accept, name="accept_terms"),
    path("<slug:slug>/building/", views.building_part, name="building"),
    path("<slug:slug>/versions/<int:number>/", views.version, name="version"),
    path("<slug:slug>/versions/<int:number>/<sound_form:form>/archive/", views.archive, name="archive"),
    path(
        "<slug:slug>/versions/<int:number>/<sound_form:form>/stems/<int:position>/", views.stem, name="stem"
    ),
    path(
        "<slug:slug>/versions/<int:number>/listening/<int:position>/<int:index>",
        views.segment,
        name="segment",
    ),
]
