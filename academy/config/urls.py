"""Every address of the site, room by room. Rooms are named by string only."""

from django.contrib import admin
from django.urls import include, path

from academy.config.static_files import Icon

urlpatterns = [
    path("", include("contests.front_urls")),
    path("favicon.ico", Icon.as_view()),
    path("members/", include("academy.members.urls")),
    path("letters/", include("academy.letters.urls")),
    path("packs/", include("academy.packs.urls")),
    path("courses/", include("academy.courses.urls")),
    path("recall/", include("academy.recall.urls")),
    path("practice/", include("academy.practice.urls")),
    path("contests/", include("contests.urls")),
    path("listening/", include("analysis.listening.urls")),
    path("uploads/", include("analysis.intake.urls")),
    path("health/", include("analysis.jobs.urls")),
    path("admin/", include("academy.members.operator_urls")),
    path("admin/", admin.site.urls),
]
