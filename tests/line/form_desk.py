"""A person at a browser without scripts: reads pages and fills in their forms by what they are called.

Has the methods of `Desk`, over Django's test client: whatever a walk does with it can be done without any script.
"""

import re
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any
from urllib.parse import urljoin, urlsplit

from django.test import Client

from tests import cast
from tests.line.desk import named

_VOID = {"input", "br", "img", "meta", "link", "hr", "use", "path", "rect", "line", "circle"}
_CLOSED = re.compile(r"\s+")


@dataclass
class Node:
    """An element of a page."""

    tag: str
    attrs: dict[str, str]
    around: "Node | None" = None
    parts: list[Any] = field(default_factory=list)  # texts and nodes

    def all(self, *tags: str) -> list["Node"]:
        """Every element of these kinds below, in order."""
        found: list[Node] = []
        for part in self.parts:
            if isinstance(part, Node):
                found += [part] if part.tag in tags or not tags else []
                found += part.all(*tags)
        return found

    @property
    def words(self) -> str:
        """Its words with single blanks, as a reader would say them."""
        texts = (part.words if isinstance(part, Node) else part for part in self.parts)
        blank = "" if self.tag in ("code", "b", "span", "em", "strong", "a", "label") else " "
        return _CLOSED.sub(" ", blank + "".join(texts) + blank)

    @property
    def name(self) -> str:
        """What it is called: its own label, or its words."""
        return (self.attrs.get("aria-label") or self.words).strip()

    def up(self, tag: str) -> "Node | None":
        """The nearest element of this kind around it."""
        node = self.around
        while node is not None and node.tag != tag:
            node = node.around
        return node


class _Page(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.root = self._at = Node("page", {})
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        node = Node(tag, {key: value or "" for key, value in attrs}, self._at)
        self._at.parts.append(node)
        if tag not in _VOID:
            self._at = node

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._at.parts.append(Node(tag, {key: value or "" for key, value in attrs}, self._at))

    def handle_endtag(self, tag: str) -> None:
        node: Node | None = self._at
        while node is not None and node.tag != tag:
            node = node.around
        if node is not None and node.around is not None:
            self._at = node.around

    def handle_data(self, data: str) -> None:
        self._at.parts.append(data)


def _matches(wanted: str | re.Pattern[str], said: str) -> bool:
    return bool(wanted.search(said)) if isinstance(wanted, re.Pattern) else wanted in said


class FormDesk:
    """One person at one browser. What is typed stays in the page until it is sent or left."""

    def __init__(self, person: Any, role: str) -> None:
        self.person, self.role = person, role
        self.client = Client()
        self.where, self.root = "/", Node("page", {})
        self.requests = 0

    # --- moving about ---------------------------------------------------------------------------------

    def open(self, address: str) -> None:
        """Go to an address and wherever it leads."""
        self._take(self.client.get(urljoin(self.where, address), follow=True), address)

    def sign_in(self) -> None:
        """Come to the site and sign in."""
        self.open("/")
        self.fill("E-mail address", self.person.email)
        self.fill("Password", cast.PASSWORD)
        self.press("Sign in")

    def home(self) -> None:
        """Go to what waits for this person."""
        self.open("/")

    def follow(self, name: str | re.Pattern[str], note: str = "", *, within: str = "") -> None:
        """Follow the first link of that name."""
        links = [one for one in self._part(within).all("a") if "href" in one.attrs]
        found = next((one for one in links if _matches(name, one.name)), None)
        assert found is not None, f"no link {name!r} among {[one.name for one in links]}"
        self.open(found.attrs["href"].partition("#")[0] or self.where)

    def take(self, group: str, label: str) -> None:
        """Take up one's own work: from the first page, the entry `label` of the group called `group`."""
        self.home()
        self.follow(re.compile(re.escape(label)), within=group)

    def press(self, name: str, note: str = "", *, within: str = "") -> None:
        """Press a button, which sends its form with all that was typed."""
        buttons = self._part(within).all("button")
        button = next((one for one in buttons if one.name == name), None)
        assert button is not None, f"no button {name!r} among {[one.name for one in buttons]}"
        form = button.up("form") or self._by_id(button.attrs["form"])
        sent = self._sent(form)
        if "name" in button.attrs:
            sent[button.attrs["name"]] = [button.attrs.get("value", "")]
        target = urljoin(self.where, form.attrs.get("action") or self.where)
        send = (
            self.client.post if form.attrs.get("method", "").lower() == "post" else self.client.get
        )
        self._take(send(target, sent, follow=True), target)

    # --- filling in -----------------------------------------------------------------------------------

    def fill(self, label: str, value: str, *, within: str = "") -> None:
        """Fill in the field called `label`."""
        control = self._control(self._part(within), named(label))
        if control.tag == "select":
            self._select(control, value)
        else:
            control.attrs["value"] = value
            control.parts = [value] if control.tag == "textarea" else []

    def choose(self, question: str, answer: str) -> None:
        """Choose an answer to a question with several."""
        groups = [
            one
            for one in self.root.all()
            if (one.tag == "fieldset" or one.attrs.get("role") in ("group", "radiogroup"))
            and named(question).match(self._title(one))
        ]
        assert groups, f"no question {question!r}"
        control = self._control(groups[0], re.compile(rf"^\s*{re.escape(answer)}\s*$"))
        for other in self.root.all("input"):
            if other.attrs.get("type") == "radio" and other.attrs["name"] == control.attrs["name"]:
                other.attrs.pop("checked", None)
        control.attrs["checked"] = ""

    def tick(self, label: str) -> None:
        """Tick a box."""
        self._control(self.root, named(label)).attrs["checked"] = ""

    def write(self, question: str, value: str) -> None:
        """Write the answer to a question of the questionnaire."""
        self.fill(question, value)

    def unfold(self, summary: str, label: str) -> None:
        """Everything is open to somebody without scripts."""

    # --- looking --------------------------------------------------------------------------------------

    def see(self, *texts: str) -> None:
        """Find each text on the page."""
        for text in texts:
            assert text in self.main_text(), f"{text!r} is not on {self.where}: {self.main_text()}"

    def see_next(self, title: str, who: str = "") -> None:
        """Find that the page says what comes next and who does it."""
        self.see(f"Next: {title}", *([f"It is for the {who}."] if who else []))

    def see_rest(self) -> None:
        """Find until when the rest lasts: only scripts count it down."""
        self.see("Rest until")

    def heading(self) -> str:
        """Return the main heading."""
        return self.root.all("h1")[0].words.strip()

    def main_text(self) -> str:
        """Return the words of the page."""
        return self.root.all("main")[0].words

    # --- inside ---------------------------------------------------------------------------------------

    def _take(self, answer: Any, address: str) -> None:
        assert answer.status_code == 200, (
            f"{address}: {answer.status_code}: {self._trouble(answer)}"
        )
        chain = getattr(answer, "redirect_chain", [])
        self.where = urlsplit(urljoin(address, chain[-1][0] if chain else address)).path
        query = urlsplit(chain[-1][0] if chain else address).query
        self.where = f"{self.where}?{query}" if query else self.where
        self.root = _Page(answer.content.decode()).root
        self.requests += 1 + len(chain)

    @staticmethod
    def _trouble(answer: Any) -> str:
        root = _Page(answer.content.decode()).root
        return " | ".join(one.words.strip() for one in root.all("main", "section")[:1])[:1500]

    def _part(self, heading: str) -> Node:
        if not heading:
            return self.root
        wanted = re.compile(rf"^\s*{re.escape(heading)}")
        parts = [
            one
            for one in self.root.all("section", "article", "fieldset")
            if any(wanted.match(title.words) for title in one.all("h1", "h2", "h3", "h4", "legend"))
        ]
        assert parts, f"no part {heading!r} on {self.where}: {self.main_text()}"
        return parts[-1]

    def _by_id(self, name: str) -> Node:
        return next(one for one in self.root.all() if one.attrs.get("id") == name)

    def _title(self, group: Node) -> str:
        if group.attrs.get("aria-label"):
            return group.attrs["aria-label"]
        names = group.attrs.get("aria-labelledby", "").split()
        if names:
            return " ".join(self._by_id(name).words.strip() for name in names)
        legends = group.all("legend")
        return legends[0].words if legends else ""

    def _control(self, part: Node, label: re.Pattern[str]) -> Node:
        for one in part.all("input", "select", "textarea"):
            if label.match(one.attrs.get("aria-label", "")):
                return one
        for one in part.all("label"):
            if label.match(one.words):
                inner = one.all("input", "select", "textarea")
                return inner[0] if inner else self._by_id(one.attrs["for"])
        said = [one.words.strip() for one in part.all("label")]
        raise AssertionError(f"no field {label.pattern!r} on {self.where} among {said}")

    @staticmethod
    def _select(control: Node, value: str) -> None:
        options = control.all("option")
        chosen = [one for one in options if value in (one.words.strip(), one.attrs.get("value"))]
        assert chosen, f"no option {value!r} among {[one.words.strip() for one in options]}"
        for one in options:
            one.attrs.pop("selected", None)
        chosen[0].attrs["selected"] = ""

    def _sent(self, form: Node) -> dict[str, list[str]]:
        """Return what a browser would send: every named field of the form as it stands."""
        sent: dict[str, list[str]] = {}
        mine = form.attrs.get("id")
        controls = [
            one
            for one in self.root.all("input", "select", "textarea")
            if (one.up("form") is form and "form" not in one.attrs)
            or (mine and one.attrs.get("form") == mine)
        ]
        for one in controls:
            name, kind = one.attrs.get("name"), one.attrs.get("type", "text")
            if not name or "disabled" in one.attrs or kind in ("submit", "button", "file"):
                continue
            if kind in ("radio", "checkbox") and "checked" not in one.attrs:
                continue
            sent.setdefault(name, []).append(self._value(one, kind))
        return sent

    @staticmethod
    def _value(control: Node, kind: str) -> str:
        if control.tag == "textarea":
            return "".join(control.parts).removeprefix("\n")
        if control.tag == "select":
            options = control.all("option")
            chosen = [one for one in options if "selected" in one.attrs] or options[:1]
            return chosen[0].attrs.get("value", chosen[0].words.strip()) if chosen else ""
        return control.attrs.get("value", "on" if kind == "checkbox" else "")
