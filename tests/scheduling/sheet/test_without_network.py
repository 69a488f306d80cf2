"""A dosing visit on tablets whose network goes, whose page is killed and whose server is restarted: nothing is lost."""

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

import pytest
from django.test.testcases import LiveServerThread
from playwright.sync_api import expect

from scheduling.models import StepRecord
from tests.look.chromium import chromium, violations
from tests.scheduling.sheet.builder import MINUTE, Case
from tests.scheduling.sheet.tablets import KEY_GONE, OTHERS, STORED, Restartable, Site, Tablet

pytestmark = [
    pytest.mark.browser, pytest.mark.slow,
    pytest.mark.django_db(transaction=True),
]  # fmt: skip


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
    one.follow_clock()
    one.open()
    site.stop()
    one.press("Done", "settled")
    one.see("1 entry kept", "waiting after the dose")
    site.at(site.case.t + 28 * MINUTE)
    one.follow_clock()
    one.reopen()
    one.see("1 entry kept", "Pulse about 30 minutes")
    one.page.get_by_label("Value (per minute)").fill("19")
    one.page.evaluate(OTHERS % "rows.put({ place: 999, person: 'somebody else' })")
    one.see("1 entry of somebody else, sealed")
    one.press("Keep on this tablet", "")  # what was typed is still there
    one.see("cannot be right: from 30 to 220 per minute")
    one.page.evaluate(OTHERS % "rows.delete(999)")
    expect(one.page.get_by_role("main")).not_to_contain_text("of somebody else")
    one.see("cannot be right: from 30 to 220 per minute")
    one.pulse("64", "pulse_30")
    one.see("2 entries kept")
    locked_with_a_timer(site, one)
    site.start()
    one.page.evaluate("window.dispatchEvent(new Event('online'))")
    expect(one.page.locator("#now")).to_contain_text("Last: Pulse about 30 minutes")


def locked_with_a_timer(site: Site, one: Tablet) -> None:
    """Locked without network, it shows times and nobody's data; after the wait it says that a timer has rung."""
    one.page.evaluate(KEY_GONE)
    one.see("This tablet is locked", "2 entries not yet sent", "Next timer at")
    shift = int(one.page.evaluate("localStorage.getItem('shift')"))
    one.page.evaluate(f"localStorage.setItem('shift', '{shift + 100 * 60000}')")
    one.see("A timer has rung: unlock")
    case = site.case
    for secret in (case.participant.code, *(user.name for user in case.users.values())):
        assert secret not in one.page.content()
    assert violations(one.page, "light") == []
    one.page.evaluate(f"localStorage.setItem('shift', '{shift}')")


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
    one.until("caches.keys().then((names) => names.length === 0)")  # they go after the run sheets
