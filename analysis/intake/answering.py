"""What each view that takes a file says: a page to a browser, the same words to the page’s script."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from django import forms
from django.contrib.auth.base_user import AbstractBaseUser
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect, JsonResponse

from analysis.intake import sealing
from analysis.intake.resumable import taking
from analysis.intake.sealing import Received


def wants_json(request: HttpRequest) -> bool:
    """Whether a script asks, which shows what it is told in place."""
    return request.headers.get("Accept", "").startswith("application/json")


def taken(request: HttpRequest, then: HttpResponseRedirect, **told: Any) -> HttpResponse:
    """Something was made of the file: lead to it, or tell the script where, with what else is `told`."""
    if wants_json(request):
        return JsonResponse({"next": then.url, **told}, status=HTTPStatus.CREATED)
    return then


def refused(sentence: str, *, status: int = HTTPStatus.UNPROCESSABLE_ENTITY) -> JsonResponse:
    """Tell the script why not."""
    return JsonResponse({"message": sentence}, status=status)


def sentences_of(form: forms.Form) -> str:
    """What is wrong with a form, the first sentence of each field."""
    return " ".join(str(each[0]) for each in form.errors.values())


def received(filled: dict[str, Any], owner: AbstractBaseUser) -> Received:
    """The file of a filled-in `SentFileForm`, from wherever it came. Slow: call it outside a transaction.

    Raises AudioError or UploadRefused as `sealing.receive` and `taking.take` do.
    """
    if filled["upload"] is not None:
        return taking.take(filled["upload"], owner)
    return sealing.receive(filled["file"].chunks(), name=filled["file"].name)
