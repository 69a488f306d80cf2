"""Bent addresses, odd headers, and secrets shown at the wrong door."""

from dataclasses import replace
from random import Random
from urllib.parse import quote, quote_from_bytes

from tests.hostile.asks import ASKED, PART, Ask, Known, encoded
from tests.hostile.values import hostile, tampered

_HEADERS = (
    "HTTP_HX_CURRENT_URL", "HTTP_REFERER", "HTTP_ACCEPT_LANGUAGE", "HTTP_X_FORWARDED_FOR", "HTTP_ORIGIN", "HTTP_COOKIE",
    "HTTP_IF_MODIFIED_SINCE", "HTTP_IF_NONE_MATCH", "HTTP_RANGE", "HTTP_USER_AGENT", "HTTP_ACCEPT", "HTTP_HOST",
    "HTTP_X_REQUEST_ID", "HTTP_X_CSRFTOKEN", "HTTP_AUTHORIZATION", "HTTP_HX_TARGET", "HTTP_ACCEPT_ENCODING",
)  # fmt: skip
_ODD_HEADERS = (
    "", "x" * 60_000, "\xff\xfe", "http://[", "http://testserver:abc/", "//evil.example/", "http://testserver/\xe9?\xff#%zz",
    "sessionid=\xff; " * 50, "fr;q=x,,,;q=9,*-*", "bytes=9-1,-,5-", "Sat, 99 Foo 9999 99:99:99 GMT", 'W/"', "null",
    "http://testserver/s/slide-story/today/?day=%00", "a\tb", "testserver:99999999", "en-" + "a-" * 300,
)  # fmt: skip


def odd_headers(ask: Ask, random: Random) -> Ask:
    """The same request with headers that no browser sends."""
    chosen = tuple(
        (name, random.choice(_ODD_HEADERS))
        for name in random.sample(_HEADERS, random.choice((1, 1, 2, 3)))
    )
    return replace(ask, headers=ask.headers + chosen, how=f"{ask.how}, headers {chosen}"[:200])


def crooked(address: str, random: Random, known: Known) -> Ask:
    """An address with parts exchanged and hostile fields behind it."""
    path, _, query = address.partition("?")
    said = "as it is"
    if random.random() < 0.4:
        parts = path.split("/")
        at = random.randrange(1, len(parts)) if len(parts) > 1 else 0
        title, value = hostile(random, random.choice(("", "number", "select")), big=0)
        chosen = random.choice(
            (
                quote_from_bytes(value[:2000], safe=""),
                str(random.choice(known.uids)),
                quote(random.choice(known.secrets)),
            )
        )
        parts[at] = chosen
        path, said = "/".join(parts), f"part {at}: {title}"
    if random.random() < 0.7:
        pairs = []
        for _ in range(random.choice((1, 1, 2, 4))):
            title, value = hostile(random, random.choice(("", "number", "date", "select")), big=0)
            pairs.append((random.choice(ASKED), value[:6000]))
            said += f", {pairs[-1][0]}: {title}"
        query = encoded(pairs).decode()
    headers = (PART,) if random.random() < 0.6 else ()
    return Ask("GET", path + ("?" + query if query else ""), headers=headers, how=said)


def with_secret(address: str, field: str, random: Random, known: Known) -> Ask:
    """A secret shown at a door, most of them tampered with or made for another door."""
    secret = random.choice(known.secrets)
    value = secret.encode() if random.random() < 0.3 else tampered(random, secret)
    if field == "path":
        return Ask("GET", address.format(quote_from_bytes(value, safe="")), how="tampered secret")
    if field.startswith("cookie:"):
        name = field.removeprefix("cookie:")
        shown = value.decode("latin-1").replace("\x00", "")
        return Ask(
            "GET", address, headers=(("HTTP_COOKIE", f"{name}={shown}"),), how="tampered cookie"
        )
    return Ask("POST", address, encoded([(field, value)]), how="tampered secret")
