"""Hostile requests, made from what the site shows: its forms filled and spoiled, its addresses bent, its secrets tampered with.

Pure but for the random numbers it is given, so that a seed tells the whole conversation.
"""

import json
from dataclasses import dataclass, replace
from datetime import datetime
from random import Random
from urllib.parse import quote, quote_from_bytes
from uuid import UUID

from tests.hostile.forms import Field, Form
from tests.hostile.values import hostile, tampered

VERBS = ("GET", "POST", "PUT", "PATCH", "DELETE", "HEAD", "OPTIONS", "TRACE", "SWALLOW")
URLENCODED = "application/x-www-form-urlencoded"
PART = (
    "HTTP_HX_REQUEST",
    "true",
)  # answered without the frame of a page, which is most of the work
Pairs = list[tuple[str, bytes]]
# Fields of addresses that pages of the site read.
ASKED = (
    "page", "sort", "q", "show", "day", "week", "at", "on", "by", "year", "month", "until", "from", "to", "volunteer", "hold",
    "source", "kind", "state", "stage", "topic", "all", "number", "kit", "shown", "mark", "option", "visit", "of", "as", "set",
    "person", "next", "again", "cannot", "not_earlier", "not_later", "count", "actor", "action", "text", "since",
)  # fmt: skip


@dataclass(frozen=True)
class Ask:
    """One request, and in words how it was made."""

    verb: str
    address: str
    body: bytes = b""
    kind: str = URLENCODED
    headers: tuple[tuple[str, str], ...] = ()
    how: str = ""


@dataclass(frozen=True)
class Known:
    """What a well-meaning person would fill in, and secrets that are about."""

    now: datetime  # in the study's zone
    password: str
    secrets: tuple[str, ...]
    uids: tuple[UUID, ...]


def fill(form: Form, random: Random, known: Known) -> list[tuple[Field, bytes]]:
    """Fill a form in as somebody might who means well."""
    filled: list[tuple[Field, bytes]] = []
    radios: dict[str, list[Field]] = {}
    for field in form.fields:
        if field.kind == "radio":
            radios.setdefault(field.name, []).append(field)
        elif field.kind == "checkbox":
            if field.checked or random.random() < 0.6:
                filled.append((field, (field.value or "on").encode()))
        elif field.kind == "select":
            offers = [offer for offer in field.offers if offer] or [""]
            chosen = field.value if field.value and random.random() < 0.5 else random.choice(offers)
            filled.append((field, chosen.encode()))
        else:
            filled.append((field, (field.value or _plain(field, random, known)).encode()))
    for group in radios.values():
        chosen_one = random.choice(group)
        filled.append((chosen_one, chosen_one.value.encode()))
    return filled


def _plain(field: Field, random: Random, known: Known) -> str:
    match field.kind:
        case "password":
            return known.password
        case "number":
            return random.choice(("1", "2", "60", "120"))
        case "date":
            return known.now.date().isoformat()
        case "datetime-local":
            return known.now.strftime("%Y-%m-%dT%H:%M")
        case "time":
            return known.now.strftime("%H:%M")
        case "email":
            return "somebody@lab.example"
        case "tel":
            return "+1 902 555 0100"
        case "hidden" | "file":
            return ""
    return random.choice(("Said on the phone.", "72", "Nora", ""))


def spoil(filled: list[tuple[Field, bytes]], random: Random) -> tuple[Pairs, str]:
    """Put something hostile into a filled form; say what."""
    pairs: Pairs = [(field.name, value) for field, value in filled]
    if not pairs:
        return [hostile_pair(random)], "an unknown field"
    said = []
    for _ in range(random.choice((1, 1, 1, 2, 3))):
        at = random.randrange(len(pairs))
        name = pairs[at][0]
        kind = next((field.kind for field, _ in filled if field.name == name), "")
        way = random.random()
        if kind == "hidden" and way < 0.4 and pairs[at][1]:
            pairs[at] = (name, tampered(random, pairs[at][1].decode("utf-8", "replace")))
            said.append(f"{name}: tampered with")
        elif way < 0.7:
            title, value = hostile(random, kind)
            pairs[at] = (name, value)
            said.append(f"{name}: {title}")
        elif way < 0.8 and len(pairs) > 1:
            del pairs[at]
            said.append(f"{name}: left out")
        elif way < 0.9:
            title, value = hostile(random, kind)
            pairs.insert(random.choice((at, at + 1)), (name, value))
            said.append(f"{name}: twice, {title}")
        else:
            pairs.append(hostile_pair(random))
            said.append("an unknown field")
    return pairs, "; ".join(said)


def hostile_pair(random: Random) -> tuple[str, bytes]:
    """A field that no form of ours has."""
    name = random.choice(
        (
            *ASKED,
            "id",
            "pk",
            "user",
            "role",
            "arm",
            "is_staff",
            "study_id",
            "form-TOTAL_FORMS",
            "__proto__",
        )
    )
    return name, hostile(random)[1]


def encoded(pairs: Pairs) -> bytes:
    """The fields of a form as they travel."""
    return "&".join(
        f"{quote(name, safe='')}={quote_from_bytes(value, safe='')}" for name, value in pairs
    ).encode()


def multipart(pairs: Pairs, files: set[str], random: Random) -> tuple[bytes, str]:
    """The same with files, now and then broken off or of another boundary than is said."""
    mark = b"hostile-boundary"
    parts = []
    for name, value in pairs:
        head = f'Content-Disposition: form-data; name="{name}"'.encode()
        if name in files:
            title = random.choice(("a.csv", "../../x", 'a"b\\', "", "é\u202e.csv", "x" * 500))
            head += (
                f'; filename="{title}"'.encode()
                + b"\r\nContent-Type: "
                + random.choice((b"text/csv", b"image/png", b"nonsense"))
            )
        parts.append(b"--" + mark + b"\r\n" + head + b"\r\n\r\n" + value + b"\r\n")
    body = b"".join(parts) + b"--" + mark + b"--\r\n"
    kind = "multipart/form-data; boundary=hostile-boundary"
    if random.random() < 0.15:
        body = body[: random.randrange(len(body))]
    if random.random() < 0.1:
        kind = random.choice(
            (
                "multipart/form-data",
                "multipart/form-data; boundary=",
                "multipart/form-data; boundary=other",
                "multipart/form-data; boundary=" + "x" * 300,
            )
        )
    return body, kind


def send(form: Form, page: str, random: Random, known: Known, *, spoilt: bool = True) -> Ask:
    """Send a form of a page."""
    filled = fill(form, random, known)
    pairs, how = (
        spoil(filled, random)
        if spoilt
        else ([(field.name, value) for field, value in filled], "as filled in")
    )
    if form.buttons and random.random() < 0.8:
        name, value = random.choice(form.buttons)
        pairs.append((name, value.encode()))
    address = form.action or page
    if form.method == "GET":
        return Ask("GET", address.partition("?")[0] + "?" + encoded(pairs).decode(), how=how)
    headers = (PART,) if random.random() < 0.5 else ()
    if form.multipart or (spoilt and random.random() < 0.05):
        files = {field.name for field in form.fields if field.kind == "file"}
        body, kind = multipart(pairs, files, random)
        return Ask("POST", address, body, kind, headers, how)
    ask = Ask("POST", address, encoded(pairs), headers=headers, how=how)
    return bent(ask, random) if spoilt and random.random() < 0.06 else ask


def with_value(
    form: Form, page: str, random: Random, known: Known, put: tuple[str, bytes], title: str
) -> Ask:
    """Send a form filled in well but for one value."""
    name, value = put
    pairs = [
        (field.name, value if field.name == name else said)
        for field, said in fill(form, random, known)
    ]
    if name not in {one for one, _ in pairs}:
        pairs.append(put)
    pairs += [(button, said.encode()) for button, said in form.buttons[:1]]
    address, how = form.action or page, f"{name}: {title}"
    if form.method == "GET":
        return Ask(
            "GET",
            address.partition("?")[0] + "?" + encoded(pairs).decode(),
            headers=(PART,),
            how=how,
        )
    return Ask("POST", address, encoded(pairs), headers=(PART,), how=how)


def bent(ask: Ask, random: Random) -> Ask:
    """The same request with another kind of content, another verb, or damaged content."""
    ways = (
        replace(ask, kind="application/json", how="form said to be JSON"),
        replace(ask, kind="text/plain", how="form said to be text"),
        replace(ask, kind="", how="no kind of content"),
        replace(ask, kind="multipart/form-data; boundary=none", how="form said to be parts"),
        replace(ask, kind=URLENCODED + "; charset=nonsense", how="unknown character set"),
        replace(ask, kind=URLENCODED + "; charset=utf-16", how="another character set"),
        replace(ask, body=ask.body[: len(ask.body) // 2], how="half a form"),
        replace(ask, body=b"&&&=&%%%=%zz&=" + ask.body, how="damaged form"),
        replace(ask, body=b"a=1&" * 1500 + ask.body, how="1,500 fields"),
        replace(ask, body=json.dumps({"a": ["\x00", "\ud800", 1e308, None]}).encode(), kind="application/json", how="JSON"),
        replace(ask, body=b'{"a": [' * 2000, kind="application/json", how="damaged JSON"),
        replace(ask, verb=random.choice(VERBS), how="another verb"),
    )  # fmt: skip
    return random.choice(ways)
