"""The answers that every page of a personal link shares: it does not open, or it was asked too often."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render


def link_closed(request: HttpRequest) -> HttpResponse:
    """403: the same page for a link that is wrong, old, used, withdrawn or tampered with."""
    return render(request, "links/closed.html", status=403)


def too_many(request: HttpRequest) -> HttpResponse:
    """429: too many tries in a short time."""
    response = render(request, "links/too_many.html", status=429)
    response.headers["Retry-After"] = "600"
    return response
