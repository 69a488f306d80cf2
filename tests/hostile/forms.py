"""The forms of a page, as a browser without scripts reads them."""

from collections.abc import Sequence
from dataclasses import dataclass
from html.parser import HTMLParser

_NOT_SENT = {"submit", "button", "image", "reset"}


@dataclass(frozen=True)
class Field:
    """One field: what it is called, of what kind, what stands in it, what it offers."""

    name: str
    kind: str
    value: str = ""
    offers: tuple[str, ...] = ()
    checked: bool = False


@dataclass(frozen=True)
class Form:
    """One form: where it is sent, how, and its fields; its buttons with a name apart."""

    action: str
    method: str
    multipart: bool
    fields: tuple[Field, ...]
    buttons: tuple[tuple[str, str], ...]


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.forms: list[tuple[dict[str, str], list[Field], list[tuple[str, str]]]] = []
        self.links: list[str] = []
        self.parts: list[tuple[str, str]] = []
        self._open = False
        self._select: tuple[str, list[str], str] | None = None
        self._area: tuple[str, list[str]] | None = None

    def handle_starttag(self, tag: str, attrs: Sequence[tuple[str, str | None]]) -> None:
        had = {key: value or "" for key, value in attrs}
        if tag == "form":
            self.forms.append((had, [], []))
            self._open = True
        if tag == "a" and "href" in had:
            self.links.append(had["href"])
        for verb in ("get", "post"):
            if f"hx-{verb}" in had and tag != "form":
                self.parts.append((verb, had[f"hx-{verb}"]))
        if self._open and had.get("name"):
            self._field(tag, had)
        if tag == "option" and self._select is not None:
            name, offers, chosen = self._select
            value = had.get("value", "")
            self._select = (name, [*offers, value], value if "selected" in had else chosen)

    def _field(self, tag: str, had: dict[str, str]) -> None:
        _, fields, buttons = self.forms[-1]
        kind = had.get("type", "text")
        if tag == "button" or (tag == "input" and kind in _NOT_SENT):
            buttons.append((had["name"], had.get("value", "")))
        elif tag == "input":
            fields.append(Field(had["name"], kind, had.get("value", ""), (), "checked" in had))
        elif tag == "select":
            self._select = (had["name"], [], "")
        elif tag == "textarea":
            self._area = (had["name"], [])

    def handle_data(self, data: str) -> None:
        if self._area is not None:
            self._area[1].append(data)

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._open = False
        if tag == "textarea" and self._area is not None:
            name, words = self._area
            self.forms[-1][1].append(Field(name, "textarea", "".join(words).lstrip("\n")))
            self._area = None
        if tag == "select" and self._select is not None:
            name, offers, chosen = self._select
            self.forms[-1][1].append(Field(name, "select", chosen, tuple(offers)))
            self._select = None


@dataclass(frozen=True)
class Read:
    """What a page offers: its forms, its links, and what its scripts ask for."""

    forms: tuple[Form, ...]
    links: tuple[str, ...]
    parts: tuple[tuple[str, str], ...]


def read(text: str) -> Read:
    """Read a page."""
    reader = _Reader()
    reader.feed(text)
    forms = tuple(
        Form(
            had.get("action") or had.get("hx-post") or had.get("hx-get", ""),
            "POST" if "hx-post" in had else had.get("method", "get").upper(),
            had.get("enctype") == "multipart/form-data",
            tuple(fields), tuple(buttons),
        )
        for had, fields, buttons in reader.forms
    )  # fmt: skip
    return Read(forms, tuple(reader.links), tuple(reader.parts))
