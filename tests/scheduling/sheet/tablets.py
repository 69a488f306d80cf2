"""A server that can be stopped and tablets whose clocks are wrong, for tests in Chromium without network."""

import socket
from contextlib import suppress
from datetime import datetime, timedelta
from typing import Any, ClassVar

from django.conf import settings
from django.test.testcases import ThreadedWSGIServer
from playwright.sync_api import Error, expect
from pytest_django.live_server_helper import LiveServer

from studylab import clock
from studylab.people.services.devices import device_enrol
from tests import cast
from tests.scheduling.sheet.builder import Case

TOUCH = {
    "viewport": {"width": 820, "height": 1180}, "has_touch": True, "is_mobile": True,
    "device_scale_factor": 1, "reduced_motion": "reduce",
}  # fmt: skip
# The tablet's clock is set by the test: so many milliseconds beside the machine's.
OWN_CLOCK = """(() => { const Real = Date; const now = () => Real.now() + Number(localStorage.getItem("shift") || 0);
  window.Date = class extends Real { constructor(...given) { if (given.length) super(...given); else super(now()); }
    static now() { return now(); } }; })()"""
STORED = """new Promise((resolve) => { const asked = indexedDB.open("studylab-tablet");
  asked.onsuccess = () => { const rows = asked.result.transaction("sheets").objectStore("sheets").getAll();
    rows.onsuccess = () => { asked.result.close(); resolve(rows.result.length); };
    rows.onerror = () => resolve(0); }; })"""

# A run sheet was taken onto the tablet since that moment of its own clock.
TAKEN_SINCE = """new Promise((resolve) => { const asked = indexedDB.open("studylab-tablet");
  asked.onsuccess = () => { const rows = asked.result.transaction("sheets").objectStore("sheets").getAll();
    rows.onsuccess = () => { asked.result.close(); resolve(rows.result.some((row) => row.at >= %d)); };
    rows.onerror = () => resolve(false); }; })"""

# The clocks were compared since they were set.
COMPARED = """new Promise((resolve) => { const asked = indexedDB.open("studylab-tablet");
  asked.onsuccess = () => { const row = asked.result.transaction("meta").objectStore("meta").get("compared");
    row.onsuccess = () => { asked.result.close(); resolve(Boolean(row.result) && Math.abs(row.result.off - %d) < 5000); };
    row.onerror = () => resolve(false); }; })"""
# An entry of somebody else comes to the store, or goes: what the page shows is another thing, so it is filled anew.
OTHERS = """new Promise((resolve) => { const asked = indexedDB.open("studylab-tablet");
  asked.onsuccess = () => { const rows = asked.result.transaction("outbox", "readwrite").objectStore("outbox");
    const done = %s; done.onsuccess = () => { asked.result.close(); resolve(true); }; }; })"""


# The key goes, as after the lock time without touch.
KEY_GONE = """new Promise((resolve) => { const asked = indexedDB.open("studylab-tablet");
  asked.onsuccess = () => { const gone = asked.result.transaction("meta", "readwrite").objectStore("meta").delete("key");
    gone.onsuccess = () => { asked.result.close(); resolve(true); }; }; })"""


# Nothing waits on the tablet any more.
UNSENT_GONE = """new Promise((resolve) => { const asked = indexedDB.open("studylab-tablet");
  asked.onsuccess = () => { const rows = asked.result.transaction("outbox").objectStore("outbox").getAll();
    rows.onsuccess = () => { asked.result.close(); resolve(rows.result.length === 0); };
    rows.onerror = () => resolve(false); }; })"""


class Restartable(ThreadedWSGIServer):
    """A server that may come back at an address at once, and whose open lines can be cut."""

    lines: ClassVar[list[socket.socket]] = []

    def server_bind(self) -> None:
        """Take the address although lines of before are still being closed there."""
        self.allow_reuse_address = True
        super().server_bind()

    def process_request(self, request: Any, client_address: Any) -> None:
        """Note the line."""
        self.lines.append(request)
        super().process_request(request, client_address)


class Site:
    """The server, which can be stopped and started again at its address, and its clock."""

    def __init__(self, settings: Any, case: Case) -> None:
        self.settings, self.case = settings, case
        self.start("localhost:0")
        self.url = self.server.url
        self.at(case.t)

    def at(self, moment: datetime) -> None:
        """Set the clock, for the server and for what the test does itself."""
        self.case.t = moment
        self.settings.CLOCK_OFFSET = moment - (clock.now() - self.settings.CLOCK_OFFSET)

    def stop(self) -> None:
        """End the server: whoever asks is refused, and lines that stood open are cut."""
        self.server.stop()
        while Restartable.lines:
            with suppress(OSError):
                Restartable.lines.pop().shutdown(socket.SHUT_RDWR)

    def start(self, address: str = "") -> None:
        """Start it, again at the same address."""
        self.server = LiveServer(address or self.url.removeprefix("http://"))


class Tablet:
    """One person at one tablet, whose clock is wrong by some minutes."""

    def __init__(
        self, browser: Any, site: Site, role: str, wrong: timedelta, name: str = ""
    ) -> None:
        self.site, self.wrong, self.user = site, wrong, site.case.users[role]
        self.context = browser.new_context(base_url=site.url, **TOUCH)
        self.context.set_default_timeout(15000)
        self.context.add_init_script(OWN_CLOCK)
        with site.case.now():
            made = device_enrol(
                study=site.case.study, name=name or f"Tablet of {role}", lock_minutes=30, sign_in=None,
                actor=cast.actor_of(site.case.users["lead"], site.case.study),
            )  # fmt: skip
        cookie = {"name": settings.DEVICE_COOKIE_NAME, "value": made.cookie, "url": site.url}
        self.context.add_cookies([cookie])
        self.page = self.context.new_page()
        self.done: list[tuple[str, datetime]] = []
        self.page.goto("/sign-in/")
        self.page.get_by_label("E-mail address").fill(self.user.email)
        self.page.get_by_label("Password").fill(cast.PASSWORD)
        self.page.get_by_role("button", name="Sign in", exact=True).click()
        self.page.wait_for_url("**/s/**")
        self.follow_clock()

    def follow_clock(self) -> None:
        """Time passes for the tablet as for the server; it stays as wrong as it is."""
        shift = self.site.settings.CLOCK_OFFSET + self.wrong
        ms = round(shift.total_seconds() * 1000)
        self.page.evaluate(f"localStorage.setItem('shift', '{ms}')")

    @property
    def path(self) -> str:
        visit = self.site.case.visit(2)
        return f"/s/{self.site.case.study.slug}/visits/{visit.uid}/"

    def open(self) -> None:
        """Open the run sheet, and wait until the tablet has it as it is now."""
        before = self.page.evaluate("Date.now()")
        self.page.goto(self.path)
        if self.page.get_by_role("heading", name="Locked").count():  # nobody touched it for so long
            self.page.get_by_label(f"Password of {self.user.name}").fill(cast.PASSWORD)
            self.page.get_by_role("button", name="Unlock").click()
            self.page.wait_for_url(f"**{self.path}")
        self.until("navigator.serviceWorker.controller !== null")
        self.until(TAKEN_SINCE % before)
        self.until(COMPARED % round(-self.wrong.total_seconds() * 1000))

    def until(self, expression: str) -> None:
        """Wait for something in the page; Playwright's own way of it needs eval, which our pages forbid."""
        for _ in range(300):
            with suppress(Error):  # the page loaded itself anew meanwhile
                if self.page.evaluate(expression):
                    return
            self.page.wait_for_timeout(50)
        raise AssertionError(f"never true: {expression}")

    def reopen(self) -> None:
        """Kill the page and open it anew."""
        self.page.close()
        self.page = self.context.new_page()
        self.page.goto(self.path)

    def press(self, name: str, step: str) -> None:
        """Press a button that settles a step, and remember when that was."""
        self.done.append((step, clock.now()))
        self.page.get_by_role("button", name=name, exact=True).click()

    def see(self, *words: str) -> None:
        for word in words:
            expect(self.page.get_by_role("main")).to_contain_text(word)

    def pulse(self, value: str, step: str, press: str = "Keep on this tablet") -> None:
        self.page.get_by_label("Value (per minute)").fill(value)
        self.press(press, step)
