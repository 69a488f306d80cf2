"""One signed-in person at one browser, and what is watched over their shoulder."""

import re
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from typing import Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from axe_playwright_python.base import AXE_SCRIPT
from django.urls import resolve
from playwright.sync_api import expect

from tests import cast

ZONE = ZoneInfo("America/Halifax")
# What is too low for a thumb; links inside a sentence are exempt (WCAG 2.2, 2.5.8).
LOW = """[...document.querySelectorAll("a.btn, button, select, .form-check, .choice, .site-nav a,"
    + " input:not([type=hidden]):not([type=radio]):not([type=checkbox])")]
    .filter((e) => e.offsetHeight > 1 && e.offsetHeight < 44).map((e) => e.outerHTML.slice(0, 90))"""

BROKEN_RULES = """(options) => axe.run({resultTypes: ["violations"], ...options}).then((answer) =>
    answer.violations.map((one) => one.id + ": " + one.nodes[0].html.slice(0, 120)))"""


def named(label: str) -> re.Pattern[str]:
    """Match a label whole, with or without the mark of a field that must be filled in."""
    return re.compile(rf"^\s*{re.escape(label)}\s*\*?\s*$")


class LabClock:
    """The site's clock. It goes on ticking after each jump, for every thread of the server."""

    def __init__(self, settings: Any, first_day: date) -> None:
        self._settings, self.day = settings, first_day

    def jump(self, local: str, day: date | None = None) -> None:
        """Go to a local time such as "09:30:00" of the current day, or of another one."""
        self.day = day or self.day
        moment = datetime.combine(self.day, time.fromisoformat(local), tzinfo=ZONE)
        self._settings.CLOCK_OFFSET = moment.astimezone(UTC) - datetime.now(UTC)

    def field_value(self, local: str) -> str:
        """Return a local time of the current day as a date-and-time field takes it."""
        return f"{self.day.isoformat()}T{local}"


@dataclass
class Watch:
    """What every page of the walk is held to. `wrong` collects what was not as it should be."""

    site: str
    secrets: tuple[str, ...] = ()  # words that would tell somebody's arm
    wrong: list[str] = field(default_factory=list)
    seen: dict[str, str] = field(default_factory=dict)  # page -> the role that saw it first
    requests: int = 0

    # Pages that show the protocol itself name both arms: everybody knows what the arms are.
    PROTOCOL_PAGES = frozenset({"protocol_version", "limits_confirm"})

    def attach(self, desk: "Desk") -> None:
        """Listen to everything the desk's browser says and asks for."""
        desk.page.on("console", lambda said: self._console(desk, said))
        desk.page.on("pageerror", lambda error: self.wrong.append(f"{desk.role}: {error}"))
        desk.context.on("request", self._request)

    def _console(self, desk: "Desk", said: Any) -> None:
        refused = (
            "status of 422" in said.text
        )  # Chromium notes each refused entry, and some are meant
        if said.type in ("error", "warning") and not refused:
            self.wrong.append(f"{desk.role} at {desk.page.url}: {said.text}")

    def _request(self, request: Any) -> None:
        self.requests += 1
        if not request.url.startswith((f"{self.site}/", "data:image/")):
            self.wrong.append(f"asked another host: {request.url}")

    def look(self, desk: "Desk", note: str = "") -> None:
        """Hold the page to its rules: always to silence about arms, once to everything else."""
        name = resolve(urlsplit(desk.page.url).path).url_name or ""
        if desk.blinded and name not in self.PROTOCOL_PAGES:
            content = desk.page.content()
            self.wrong += [f"{name} shows {word!r}" for word in self.secrets if word in content]
        key = f"{name} {note}".strip()
        if key in self.seen:
            return
        self.seen[key] = desk.role
        desk.page.evaluate(AXE_SCRIPT)
        found = self._violations(desk.page, "light", {})
        # Only colours differ between the two.
        found += self._violations(desk.page, "dark", {"runOnly": ["color-contrast"]})
        wide = desk.page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        found += [f"{wide} px too wide"] if wide > 0 else []
        found += [f"low: {what}" for what in desk.page.evaluate(LOW)]
        headings = desk.page.get_by_role("heading", level=1).count()
        found += [f"{headings} main headings"] if headings != 1 else []
        self.wrong += [f"{key} ({desk.role}): {what}" for what in found]

    def _violations(self, page: Any, scheme: str, options: dict[str, Any]) -> list[str]:
        page.emulate_media(color_scheme=scheme)
        found = page.evaluate(BROKEN_RULES, options)
        page.emulate_media(color_scheme="light")
        return [f"{scheme}: {what}" for what in found]


class Desk:
    """A person of the study at a browser of their own. Everything is found by what the page calls it."""

    def __init__(self, browser: Any, watch: Watch, person: Any, role: str, view: Any) -> None:
        self.role, self.person, self.watch = role, person, watch
        self.blinded = role != "pharmacist"
        self.context = browser.new_context(base_url=watch.site, **view)
        self.context.set_default_timeout(8000)
        self.page = self.context.new_page()
        watch.attach(self)

    def sign_in(self) -> None:
        """Come to the site and sign in."""
        self.page.goto("/")
        self.watch.look(self)
        self.fill("E-mail address", self.person.email)
        self.fill("Password", cast.PASSWORD)
        self.press("Sign in")
        self.see("What waits for you")

    def home(self) -> None:
        """Go to what waits for this person, by the name of the site above every page."""
        self._leave(self.page.get_by_role("banner").get_by_role("link", name="Studylab"))

    def follow(self, name: str | re.Pattern[str], note: str = "", *, within: str = "") -> None:
        """Follow the first link of that name, inside the part of the page with the heading `within`."""
        self._leave(self._part(within).get_by_role("link", name=name).first, note)

    def press(self, name: str, note: str = "", *, within: str = "") -> None:
        """Press a button that leads to another page."""
        self._leave(self._part(within).get_by_role("button", name=name, exact=True).first, note)

    def take(self, group: str, label: str) -> None:
        """Take up one's own work: from the first page, the entry `label` of the group called `group`."""
        self.home()
        self.follow(re.compile(re.escape(label)), within=group)

    def again(self, note: str = "") -> None:
        """Load the page anew."""
        self.page.reload()
        self.watch.look(self, note)

    def fill(self, label: str, value: str, *, within: str = "") -> None:
        """Fill in the field called `label`."""
        self._part(within).get_by_label(named(label)).first.fill(value)

    def choose(self, question: str, answer: str) -> None:
        """Choose an answer to a question with several."""
        group = self.page.get_by_role("group", name=named(question))
        group.get_by_label(answer, exact=True).check()

    def tick(self, label: str) -> None:
        """Tick a box."""
        self.page.get_by_label(named(label)).check()

    def write(self, question: str, value: str) -> None:
        """Write the answer to a question of the questionnaire."""
        self.page.get_by_role("textbox", name=question, exact=True).fill(value)

    def unfold(self, summary: str, label: str) -> None:
        """Open the part of the page with the field `label`, if it is closed."""
        if not self.page.get_by_label(label, exact=True).is_visible():
            self.page.get_by_text(summary).click()

    def heading(self) -> str:
        """Return the main heading."""
        words: str = self.page.get_by_role("heading", level=1).inner_text()
        return words

    def see(self, *texts: str) -> None:
        """Find each text on the page."""
        for text in texts:
            expect(self.page.get_by_role("main")).to_contain_text(text)

    def see_next(self, title: str, who: str = "") -> None:
        """Find that the page says what comes next and who does it."""
        self.see(f"Next: {title}", *([f"It is for the {who}."] if who else []))

    def see_rest(self) -> None:
        """Find that the page counts the rest down."""
        self.see("left")

    def main_text(self) -> str:
        """Return the words of the page."""
        words: str = self.page.get_by_role("main").inner_text()
        return words

    def _part(self, heading: str) -> Any:
        """Return the section with this heading, or the whole page."""
        if not heading:
            return self.page
        title = self.page.get_by_role("heading", name=re.compile(f"^{re.escape(heading)}"))
        return self.page.locator("section, article, fieldset").filter(has=title).last

    def _leave(self, what: Any, note: str = "") -> None:
        with self.page.expect_navigation():
            what.click()
        self.watch.look(self, note)
