"""The front page: what is taught, and which contests run."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render


def front(request: HttpRequest) -> HttpResponse:
    """Show courses, packs and contests to whoever comes."""
    return render(request, "contests/front.html")
