"""In Chromium: no accessibility violation, nothing too wide, and the arrow keys of the calendar."""

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from scheduling.models import Series
from scheduling.services.booking import series_book
from studylab.access import Actor
from studylab.participants.models import Participant
from tests.look.chromium import SITE, browser_with, violations
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.browser, pytest.mark.django_db, pytest.mark.slow]
ClientOf = Callable[[Any], Client]
DAYS = the_lab.wishes("2026-11-24", "2026-11-29")
CALENDAR = "/s/slide-story/calendar/"


@pytest.fixture
def booked(volunteer: Participant, booker: Actor) -> Series:
    return series_book(participant=volunteer, option=the_lab.find(volunteer, DAYS)[0], actor=booker)


@pytest.fixture
def pages(
    client_of: ClientOf, coordinator: Any, lead: Any, booked: Series, study: Any, clinician: Any
) -> dict[str, str]:
    """Finished pages by address; the browser ignores what follows the question mark."""
    free = the_lab.ready_volunteer(study, clinician, 2)
    bare = the_lab.make_participant(study, 3)
    base, who, row = "/s/slide-story/", booked.participant.code, booked.visits.get(number=2)
    desk, leader = client_of(coordinator), client_of(lead)
    by_desk = (
        "calendar/", f"volunteers/{free.code}/book/", f"volunteers/{bare.code}/book/",
        f"volunteers/{who}/series/", f"volunteers/{who}/series/cancel/",
        f"volunteers/{who}/visits/{row.uid}/move/",
    )  # fmt: skip
    by_lead = ("resources/", "resources/add/", "resources/closures/", "resources/closures/add/")
    shown = {f"{base}{path}": desk.get(f"{base}{path}").content.decode() for path in by_desk}
    shown |= {f"{base}{path}": leader.get(f"{base}{path}").content.decode() for path in by_lead}
    shown["/day/"] = desk.get(f"{CALENDAR}?day=2026-11-25").content.decode()
    shown["/wrong/"] = desk.get(
        f"{base}volunteers/{free.code}/book/?first_day=x&last_day="
    ).content.decode()
    return shown


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_has_an_accessibility_violation(pages: dict[str, str], scheme: str) -> None:
    found = {}
    with browser_with(pages) as browser:
        for width in (390, 1280):
            context = browser.new_context(
                color_scheme=scheme, viewport={"width": width, "height": 900}
            )
            page = context.new_page()
            for path in pages:
                page.goto(path)
                if hits := violations(page, scheme):
                    found[path, width] = hits
                wide = page.evaluate("document.documentElement.scrollWidth")
                if wide > width:
                    found[path, width] = [f"{wide} px wide"]
    assert found == {}


def test_arrow_keys_go_from_week_to_week_and_from_visit_to_visit(pages: dict[str, str]) -> None:
    with browser_with(pages) as browser:
        page = browser.new_context(viewport={"width": 1280, "height": 900}).new_page()
        page.goto(CALENDAR)
        page.keyboard.press("ArrowRight")
        page.wait_for_url(f"{SITE}{CALENDAR}?week=2026-W49")
        page.keyboard.press("ArrowLeft")
        page.wait_for_url(
            f"{SITE}{CALENDAR}?week=2026-W47"
        )  # the same page again: one week before W48
        said = "document.activeElement.getAttribute('aria-label')"
        page.locator(".cal-link").first.focus()
        assert " visit 1, " in page.evaluate(said)
        page.keyboard.press("ArrowRight")
        assert "Wed 25 Nov 2026" in page.evaluate(said)
        assert "week=2026-W47" in page.url


def test_a_visit_is_dragged_or_taken_with_keys(pages: dict[str, str], booked: Series) -> None:
    """A drop leads to the page that finds places and shows before and after; the clock is Halifax's, UTC-4."""
    with browser_with(pages) as browser:
        page = browser.new_context(viewport={"width": 1280, "height": 1200}).new_page()
        page.goto(CALENDAR)
        link = page.locator("[data-move][aria-label*=' visit 2,']").first
        box = link.bounding_box()
        page.mouse.move(box["x"] + 20, box["y"] + 10)
        page.mouse.down()
        page.mouse.move(box["x"] + 22, box["y"] + 40, steps=3)
        page.mouse.move(box["x"] + 22, box["y"] + 75, steps=3)
        assert page.locator(".cal-ghost-text").text_content().startswith("Wed 25 Nov, 08:00")
        # The page that finds places is not among those shown here: that it is asked for is enough.
        with page.expect_request("**/move/to/?at=2026-11-25T12%3A00%3A00.000Z*"):
            page.mouse.up()
        page = browser.new_context(viewport={"width": 1280, "height": 1200}).new_page()
        page.goto(CALENDAR)
        page.locator("[data-move][aria-label*=' visit 2,']").first.focus()
        for key in ("m", "ArrowDown", "Shift+ArrowDown", "Escape"):
            page.keyboard.press(key)
        assert page.locator(".cal-ghost").count() == 0
        for key in ("m", "ArrowDown", "ArrowLeft"):
            page.keyboard.press(key)
        assert page.locator("[data-calendar-said]").text_content().startswith("Tue 24 Nov, 07:15")
        with page.expect_request("**/move/to/?at=2026-11-24T11%3A15%3A00.000Z*"):
            page.keyboard.press("Enter")


def test_on_a_phone_the_list_stands_alone(pages: dict[str, str]) -> None:
    with browser_with(pages) as browser:
        page = browser.new_context(viewport={"width": 390, "height": 900}).new_page()
        page.goto(CALENDAR)
        assert not page.locator(".cal-sheet").is_visible()
        assert page.locator("table").first.is_visible()


def test_the_present_moment_moves_with_the_server(pages: dict[str, str]) -> None:
    """The page came at 07:00, the first drawn hour; ten minutes later the line is ten pixels lower."""
    with browser_with(pages) as browser:
        page = browser.new_context(viewport={"width": 1280, "height": 900}).new_page()
        page.clock.install()
        page.goto(CALENDAR)
        line = page.locator("[data-now]")
        assert float(line.get_attribute("y1")) == 52
        page.clock.run_for(10 * 60 * 1000)
        assert float(line.get_attribute("y1")) == pytest.approx(62, abs=0.6)
