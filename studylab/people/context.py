"""What every page needs to know about who is looking at it."""

from typing import Any

from django.http import HttpRequest


def page(request: HttpRequest) -> dict[str, Any]:
    """Return study, actor and the sections this person has."""
    return {"study": getattr(request, "study", None), "actor": getattr(request, "actor", None)}
