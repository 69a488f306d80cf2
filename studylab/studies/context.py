"""What every page of a study shows about its protocol: whom to call, and whether limits are confirmed."""

import re
from typing import Any

from django.http import HttpRequest
from django.utils.functional import SimpleLazyObject

from studylab.studies.models import ProtocolVersion
from studylab.studies.selectors import CurrentProtocol, current_protocol


def notices(request: HttpRequest) -> dict[str, Any]:
    """Return `emergency` and `unconfirmed_version`, read once and only by templates that show them."""
    study = getattr(request, "study", None)
    if study is None:
        return {"emergency": None, "unconfirmed_version": None}
    seen: list[CurrentProtocol | None] = []

    def current() -> CurrentProtocol | None:
        if not seen:
            try:
                seen.append(current_protocol(study))
            except ProtocolVersion.DoesNotExist:
                seen.append(None)
        return seen[0]

    return {
        "emergency": SimpleLazyObject(lambda: _emergency(current())),
        "unconfirmed_version": SimpleLazyObject(lambda: _unconfirmed(current())),
    }


def _emergency(now: CurrentProtocol | None) -> dict[str, str]:
    if now is None:
        return {}
    return {
        "number": now.plan.emergency_number,
        "number_link": _dialled(now.plan.emergency_number),
        "phone": now.plan.phone_24h,
        "phone_link": _dialled(now.plan.phone_24h),
    }


def _unconfirmed(now: CurrentProtocol | None) -> str:
    return "" if now is None or now.confirmed else str(now.version.number)


def _dialled(number: str) -> str:
    """Return a number as tel: links want it: digits, and a leading plus (RFC 3966)."""
    return re.sub(r"[^\d+]", "", number)
