"""A dosing visit on tablets whose network goes, whose page is killed and whose server is restarted: nothing is lost."""

import os
import re
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime, timedelta
from typing import Any, ClassVar

import pytest
from django.conf import settings
from django.test.testcases import LiveServerThread, ThreadedWSGIServer
from playwright.sync_api import expect
from pytest_django.live_server_helper import LiveServer

from scheduling.models import StepRecord
from studylab import clock
from studylab.people.services.devices import device_enrol
from tests import cast
from tests.look.chromium import chromium, violations
from tests.scheduling.sheet.builder import MINUTE, Case

pytestmark = [
    pytest.mark.browser, pytest.mark.database, pytest.mark.slow,
    pytest.mark.django_db(transaction=True),
]  # fmt: skip
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

    def __init__(self, browser: Any, site: Site, role: str, wrong: timedelta) -> None:
        self.site, self.wrong, self.user = site, wrong, site.case.users[role]
        self.context = browser.new_context(base_url=site.url, **TOUCH)
        self.context.set_default_timeout(15000)
        self.context.add_init_script(OWN_CLOCK)
        with site.case.now():
            made = device_enrol(
                study=site.case.study, name=f"Tablet of {role}", lock_minutes=30, sign_in=None,
                actor=cast.actor_of(site.case.users["lead"], site.case.study),
            )  # fmt: skip
        cookie = {"name": settings.DEVICE_COOKIE_NAME, "value": made.cookie, "url": site.url}
        self.context.add_cookies([cookie])
        self.page = self.context.new_page()
        self.done: list[tuple[str, datetime]] = []
        self.page.goto("/sign-in/")
        self.page.get_by_label("E-mail address").fill(self.user.email)
        self.page.get_by_label("Password").fill(cast.PASSWORD)
        self.page.get_by_role("button", name="Sign in").click()
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
        """Open the run sheet, and wait until the tablet has it."""
        self.page.goto(self.path)
        if self.page.get_by_role("heading", name="Locked").count():  # nobody touched it for so long
            self.page.get_by_label(f"Password of {self.user.name}").fill(cast.PASSWORD)
            self.page.get_by_role("button", name="Unlock").click()
            self.page.wait_for_url(f"**{self.path}")
        self.until("navigator.serviceWorker.controller !== null")
        self.until(STORED)

    def until(self, expression: str) -> None:
        """Wait for something in the page; Playwright's own way of it needs eval, which our pages forbid."""
        for _ in range(300):
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


@pytest.fixture
def site(settings: Any, monkeypatch: Any) -> Iterator[Site]:
    """Visit 2 under way up to the step after the pre-dose readings; a server of its own."""
    # The browser's event loop runs in this thread; the test writes between two presses all the same.
    monkeypatch.setattr(LiveServerThread, "server_class", Restartable)
    monkeypatch.setitem(os.environ, "DJANGO_ALLOW_ASYNC_UNSAFE", "true")
    case = Case()
    case.prepare_study()
    case.screen()
    case.book()
    case.visit_one()
    case.begin_two(leave_out=("reminder", "kit"))
    made = Site(settings, case)
    yield made
    made.stop()


@contextmanager
def cut(tablet: Tablet) -> Iterator[None]:
    """No network for one tablet."""
    tablet.context.set_offline(True)
    yield
    tablet.context.set_offline(False)


def test_nothing_is_lost_doubled_or_moved(site: Site) -> None:
    case = site.case
    with chromium() as browser:
        one = Tablet(browser, site, "experimenter", 7 * MINUTE)
        two = Tablet(browser, site, "second", -3 * MINUTE)
        for stage in (first_cut, restarted, two_tablets):
            stage(site, one, two)
        signed_out(one)
    done = dict(one.done)  # of a step entered twice the correction counts, at its own time
    rows = {row.step: row for row in StepRecord.objects.filter(visit=case.visit(2))}
    for step in ("reminder", "reminder_answer", "settled", "pulse_30"):
        assert StepRecord.objects.filter(visit=case.visit(2), step=step).count() == 1
        assert abs(rows[step].occurred_at - done[step]) < timedelta(seconds=5), step
        assert not rows[step].time_uncertain
        assert abs(rows[step].device_at - rows[step].occurred_at - 7 * MINUTE) < timedelta(
            seconds=5
        )
    old, new = StepRecord.objects.filter(step="pulse_60").order_by("id")
    assert (old.value, old.recorded_by) == ({"value": 70.0}, two.user)
    assert (new.value, new.recorded_by, new.supersedes) == ({"value": 66.0}, one.user, old)
    assert abs(new.occurred_at - done["pulse_60"]) < timedelta(seconds=5)
    times = [
        rows[step].occurred_at for step in ("reminder", "reminder_answer", "settled", "pulse_30")
    ]
    assert times == sorted(times)


def first_cut(site: Site, one: Tablet, two: Tablet) -> None:
    """Two steps without network, up to the dose, which is refused; sent as soon as there is network."""
    one.open()
    two.open()
    with cut(one):
        one.press("Read out", "reminder")
        one.see("1 entry kept on this tablet, not yet sent", "What did the volunteer recall?")
        assert violations(one.page, "light") == []
        one.page.set_viewport_size({"width": 390, "height": 844})
        assert one.page.evaluate("document.documentElement.scrollWidth") <= 390
        one.page.get_by_label("Part of it").check()
        site.at(site.case.t + 2 * MINUTE)
        one.follow_clock()
        one.press("Keep on this tablet", "reminder_answer")
        one.see("2 entries kept", "No dose without the server")
        one.page.goto(f"{one.path}dose/")
        one.see("This page needs the server")
        one.page.goto(f"/s/{site.case.study.slug}/today/")
        one.see("Today needs the server", f"{site.case.participant.code}, visit 2")
        names = [user.name for user in site.case.users.values()]
        assert not [name for name in names if name in one.page.content()]
        one.page.goto(one.path)
        one.see("2 entries kept")
    one.page.evaluate("window.dispatchEvent(new Event('online'))")
    expect(one.page.get_by_role("link", name="To the dose page")).to_be_visible()
    site.case.kit()
    site.case.forward(1)
    site.case.give()
    site.at(site.case.t + MINUTE)


def restarted(site: Site, one: Tablet, two: Tablet) -> None:
    """The server goes while a step is pressed, the page is killed, and work goes on before the server is back."""
    one.open()
    one.follow_clock()
    one.open()  # the clocks are compared anew
    site.stop()
    one.press("Done", "settled")
    one.see("1 entry kept", "waiting after the dose")
    site.at(site.case.t + 28 * MINUTE)
    one.follow_clock()
    one.reopen()
    one.see("1 entry kept", "Pulse about 30 minutes")
    one.pulse("19", "")
    one.see("cannot be right: from 30 to 220 per minute")
    one.pulse("64", "pulse_30")
    one.see("2 entries kept")
    site.start()
    one.page.evaluate("window.dispatchEvent(new Event('online'))")
    expect(one.page.locator("#now")).to_contain_text("Last: Pulse about 30 minutes")


def two_tablets(site: Site, one: Tablet, two: Tablet) -> None:
    """The same step on both, one without network: shown beside each other, and a person decides."""
    site.at(site.case.t + 28 * MINUTE)
    one.follow_clock()
    two.follow_clock()
    one.open()
    two.open()
    with cut(one):
        one.pulse("66", "pulse_60", "Save")
        one.see("1 entry kept")
        two.pulse("70", "pulse_60", "Save")
        expect(two.page.locator("#now")).to_contain_text("Last: Pulse about 60 minutes")
    one.page.evaluate("window.dispatchEvent(new Event('online'))")
    one.see(
        "not taken by the server", "Entered here", "66 per minute", "On the server", "70 per minute"
    )
    assert violations(one.page, "light") == []
    one.page.get_by_label("Why is the server’s entry wrong?").fill(
        "Counted by hand for a full minute."
    )
    one.page.get_by_role("button", name="Send mine as a correction").click()
    expect(one.page.locator("#now")).to_contain_text(re.compile("66 per minute"))


def signed_out(one: Tablet) -> None:
    """Nothing of the visit stays on the tablet."""
    one.page.get_by_role("button", name="Sign out").click()
    expect(one.page.get_by_role("heading", name="Sign in")).to_be_visible()
    one.until(f"{STORED}.then((count) => count === 0)")
    assert one.page.evaluate("caches.keys().then((names) => names.length)") == 0
