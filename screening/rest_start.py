"""The start of a rest, by the server's clock, carried through a page and safe from changing."""

from datetime import datetime, timedelta

from django.core import signing

from studylab import clock

_SALT = "screening.rest"
_LONGEST = timedelta(hours=3)


def make_start(*, code: str) -> str:
    """Return a signed token saying that this person's rest began now."""
    return signing.dumps({"code": code, "at": clock.now().isoformat()}, salt=_SALT)


def read_start(token: str, *, code: str) -> datetime | None:
    """Return the instant in the token; None when it is forged, another person's, or hours old."""
    try:
        content = signing.loads(token, salt=_SALT)
    except signing.BadSignature:
        return None
    at = datetime.fromisoformat(content["at"])
    if content["code"] != code or not timedelta(0) <= clock.now() - at <= _LONGEST:
        return None
    return at
