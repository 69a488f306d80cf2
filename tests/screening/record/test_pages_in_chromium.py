"""The pages of screening in Chromium: no accessibility violation, and what the script helps with."""

import re
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from screening.selectors import newest_answers
from tests.look.chromium import browser_with, violations
from tests.screening.record import people

pytestmark = [pytest.mark.browser, pytest.mark.django_db]


TOMORROW = timedelta(days=1)


def page_of(
    client: Any, participant: Any, name: str, *more: Any, post: Any = None, **query: str
) -> str:
    """Return a page's HTML; with `post` the page that answers it."""
    url = reverse(name, args=[participant.study.slug, participant.code, *more])
    answer = client.get(url, query) if post is None else client.post(url, post)
    if answer.status_code == 302:
        answer = client.get(answer.headers["Location"])
    return str(answer.content.decode())


_made: dict[str, str] = {}


@pytest.fixture
def pages(request: pytest.FixtureRequest) -> dict[str, str]:
    """Finished pages by address: first ones, wrong ones, and ones that show a result; made once for this file."""
    return _made or request.getfixturevalue("make_pages")


@pytest.fixture
def make_pages(
    waiting: Any, client_of: Any, clinician: Any, cora: Any, milo: Any
) -> dict[str, str]:
    client = client_of(clinician)
    fresh = people.add_volunteer(waiting.study, cora)
    people.consent(fresh, cora)
    people.sign(waiting, milo, reason="All values looked at.")
    people.answer(
        waiting, cora, supersedes=newest_answers(waiting, "screening"), reason="Asked again.",
        answers=people.quiet_answers(waiting, C_13a="not_sure", C_02=None), no_medicines=False,
        medicines=[
            {"name": "Blue drops", "prescribed": False}, {"name": "Ibuprofen", "prescribed": True},
            {"name": "Propanolol", "prescribed": True}, {"name": "St John's wort", "prescribed": False},
        ],
    )  # fmt: skip
    undecided = people.measure(fresh, milo, readings=people.readings(gap=45))
    wide = people.measure(fresh, milo, readings=people.readings(people.same(97)))
    made = {
        "/questions/": page_of(client, fresh, "questions"),
        "/questions/wrong/": page_of(
            client, fresh, "questions",
            post={"base": "", "weight_kg": "heavy", "C-01": "perhaps", "medicine-TOTAL_FORMS": "1",
                  "medicine-INITIAL_FORMS": "0", "medicine-0-dose": "two"},
        ),
        "/questions/again/": page_of(client, waiting, "questions"),
        "/questions/ahead/": page_of(
            client, waiting, "ahead_questions", people.book_visit(waiting, start=people.NOW + TOMORROW)
        ),
        "/answers/": page_of(client, waiting, "answers"),
        "/assessment/": page_of(client, waiting, "assessment"),
        "/vitals/new/": page_of(client, fresh, "vitals_add", "screening"),
        "/vitals/resting/": page_of(client, fresh, "vitals_add", "screening", post={"start_rest": "1"}),
        "/vitals/wrong/": page_of(
            client, fresh, "vitals_add", "screening", post={"reading_1.systolic": "12/8", "arm": "left"}
        ),
        "/vitals/undecided/": page_of(client, fresh, "vitals", undecided.uid),
        "/vitals/": page_of(client, fresh, "vitals", wide.uid),
        "/sign-off/person/": page_of(client, waiting, "sign_off"),
    }  # fmt: skip
    people.answer(
        waiting, cora, supersedes=newest_answers(waiting, "screening"), reason="Answered now.",
        no_medicines=False, medicines=[{"name": "Blue drops", "prescribed": False}],
    )  # fmt: skip
    made["/sign-off/"] = str(
        client.get(reverse("sign_off_queue", args=[waiting.study.slug])).content.decode()
    )
    made["/sign-off/item/"] = page_of(client, waiting, "sign_off")
    made["/sign-off/wrong/"] = page_of(
        client, waiting, "sign_off",
        post={"assessed": re.findall(r'name="assessed" value="(\d+)"', made["/sign-off/item/"])[0],
              "decision": "eligible", "pulse_from": "slow"},
    )  # fmt: skip
    _made.update(made)
    return _made


@pytest.fixture
def chromium(pages: dict[str, str]) -> Iterator[Any]:
    """A Chromium that knows these pages."""
    with browser_with(pages) as browser:
        yield browser


def test_the_pages_are_all_there(pages: dict[str, str]) -> None:
    assert {path: html.count("<h1") for path, html in pages.items()} == dict.fromkeys(pages, 1)
    for path in pages:
        assert ("error-summary" in pages[path]) == ("wrong" in path), path


@pytest.mark.parametrize(("scheme", "width"), [("light", 1180), ("dark", 390)])
def test_no_page_has_an_accessibility_violation(
    pages: dict[str, str], chromium: Any, scheme: str, width: int
) -> None:
    found = {}
    page = chromium.new_context(
        color_scheme=scheme, viewport={"width": width, "height": 900}
    ).new_page()
    for path in pages:
        page.goto(path)
        page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
        hits = violations(page, scheme)
        wide = page.evaluate("document.documentElement.scrollWidth")
        if hits or wide > width:
            found[path] = [*hits, wide]
    assert found == {}


def test_a_question_that_follows_waits_for_its_lead(chromium: Any) -> None:
    page = chromium.new_context().new_page()
    page.goto("/questions/")
    follower = page.locator('[name="C-13b"]')
    assert not follower.is_visible()
    page.locator('[name="C-13a"][value="yes"]').check()
    assert follower.is_visible()
    follower.fill("2")
    page.locator('[name="C-13a"][value="no"]').check()
    assert follower.is_visible()  # what holds an answer is never hidden


def test_more_medicines_without_losing_what_was_typed(chromium: Any) -> None:
    page = chromium.new_context().new_page()
    page.goto("/questions/")
    page.locator('[name="medicine-0-name"]').fill("Aspirin")
    page.get_by_role("button", name="Room for more medicines").click()
    assert page.locator('[name="medicine-TOTAL_FORMS"]').input_value() == "3"
    page.locator('[name="medicine-2-name"]').fill("Ibuprofen")
    page.locator('[name="medicine-2-prescribed"][value="no"]').check()
    assert page.locator('[name="medicine-0-name"]').input_value() == "Aspirin"


@pytest.fixture
def offers(waiting: Any, client_of: Any, clinician: Any) -> str:
    """The part of a page that answers to "Advil"; made before the browser starts."""
    url = reverse("medicine_offers", args=[waiting.study.slug])
    return str(client_of(clinician).get(url, {"medicine-0-name": "Advil"}).content.decode())


def test_a_name_is_offered_while_typing_and_taken_only_by_a_click(
    offers: str, chromium: Any
) -> None:
    page = chromium.new_context().new_page()
    page.route(
        "**/medicines/offers/*",
        lambda route: route.fulfill(body=offers, content_type="text/html"),
    )
    page.goto("/questions/")
    name = page.locator('[name="medicine-0-name"]')
    name.press_sequentially("Advil")
    offer = page.get_by_role("button", name="Advil ibuprofen")
    offer.wait_for()
    assert name.input_value() == "Advil"
    offer.click()
    assert name.input_value() == "Advil (ibuprofen)"


def test_half_a_date_is_not_sent_as_none(chromium: Any) -> None:
    page = chromium.new_context().new_page()
    page.goto("/questions/")
    page.locator('[name="medicine-0-last_taken"]').press_sequentially("0231")
    page.get_by_role("button", name="Save the answers").last.click()
    said = page.get_by_text("This is not a whole date")
    assert said.is_visible()
    assert page.url.endswith("/questions/")


def test_the_time_of_a_reading_is_the_servers(chromium: Any) -> None:
    """The tablet's clock stands wherever it likes; the page came at ten in Halifax."""
    page = chromium.new_context(timezone_id="Asia/Tokyo").new_page()
    page.goto("/vitals/resting/")
    page.locator('[name="reading_1.systolic"]').fill("118")
    assert page.locator('[name="reading_1.at"]').input_value().startswith("10:00:")
    page.locator('[name="reading_1.at"]').fill("09:59:30")
    page.locator('[name="reading_1.pulse"]').fill("70")
    assert page.locator('[name="reading_1.at"]').input_value() == "09:59:30"


def test_the_fourth_reading_appears_when_it_is_needed(chromium: Any) -> None:
    page = chromium.new_context().new_page()
    page.goto("/vitals/resting/")
    fourth = page.locator('[name="reading_4.systolic"]')
    assert not fourth.is_visible()
    page.locator('[name="reading_2.systolic"]').fill("120")
    page.locator('[name="reading_3.systolic"]').fill("132")
    page.locator('[name="reading_3.diastolic"]').fill("70")
    page.locator('[name="reading_3.pulse"]').click()
    assert fourth.is_visible()


def test_room_for_words_appears_with_the_answer_that_asks_for_them(chromium: Any) -> None:
    page = chromium.new_context().new_page()
    page.goto("/questions/")
    words = page.locator('[name="C-01-detail"]')
    page.locator('[name="C-01"][value="no"]').check()
    assert not words.is_visible()
    page.locator('[name="C-01"][value="not_sure"]').check()
    assert words.is_visible()
