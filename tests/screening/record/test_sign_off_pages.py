"""The sign-off queue and page."""

from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from screening.models import SignOff
from screening.selectors import newest_answers, newest_assessment, sign_off_state
from studylab import clock
from tests.cast import PASSWORD
from tests.screening.record import people

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def at(name: str, participant: Any, *more: Any) -> str:
    """Return the address of a page about somebody."""
    return reverse(name, args=[participant.study.slug, participant.code, *more])


def sent(participant: Any, **changed: Any) -> dict[str, Any]:
    """Return what a browser sends to sign eligible."""
    made = newest_assessment(participant, "screening")
    assert made is not None
    return {
        "assessed": str(made.pk),
        "decision": "eligible",
        "reason": "",
        "password": PASSWORD,
        **changed,
    }


@pytest.fixture
def browser(client_of: Any, clinician: Any) -> Any:
    """The clinician, signed in."""
    return client_of(clinician)


@pytest.fixture
def flagged(waiting: Any, cora: Any) -> Any:
    """A volunteer with one medicine that the list does not know."""
    people.answer(
        waiting, cora, supersedes=newest_answers(waiting, "screening"), reason="Asked again.",
        no_medicines=False, medicines=[{"name": "Granny's <i>blue</i> drops", "prescribed": False}],
    )  # fmt: skip
    return waiting


def queue(client: Any, study: Any) -> str:
    """Return the queue's page."""
    return client.get(reverse("sign_off_queue", args=[study.slug])).content.decode()


def test_who_waits_and_for_what(
    browser: Any, study: Any, waiting: Any, cora: Any, milo: Any
) -> None:
    unfinished = people.add_volunteer(study, cora)
    people.answer(unfinished, cora)
    page = queue(browser, study)
    assert waiting.code in page
    assert "first decision" in page
    assert unfinished.code not in page  # values are missing: nothing can be decided
    signed = people.sign(waiting, milo)
    assert "Nobody waits" in queue(browser, study)
    with clock.travel(signed.valid_until):
        # The browser session has its own, longer clock; what grows old here is the signature.
        assert "the last decision is too old" in queue(browser, study)
    people.answer(
        waiting, cora, supersedes=newest_answers(waiting, "screening"), reason="Weighed again.",
        weight_kg=71.0,
    )  # fmt: skip
    assert "something changed since the last decision" in queue(browser, study)


def test_longest_waiting_first(
    browser: Any, study: Any, waiting: Any, cora: Any, milo: Any
) -> None:
    with clock.travel(people.NOW + timedelta(minutes=30)):
        later = people.ready(study, cora, milo)
    page = queue(browser, study)
    assert page.index(waiting.code) < page.index(later.code)


def test_needs_more_comes_back_with_something_new(
    browser: Any, study: Any, waiting: Any, cora: Any, milo: Any
) -> None:
    people.sign(waiting, milo, decision="needs_more", reason="Weigh again.")
    assert "Nobody waits" in queue(browser, study)
    people.answer(
        waiting, cora, supersedes=newest_answers(waiting, "screening"), reason="Weighed again.",
        weight_kg=71.0,
    )  # fmt: skip
    assert waiting.code in queue(browser, study)


def test_the_queue_asks_the_database_no_more_for_more_people(
    browser: Any, study: Any, waiting: Any, cora: Any, milo: Any
) -> None:
    queue(browser, study)
    with CaptureQueriesContext(
        connection,
    ) as one:
        queue(browser, study)
    for _ in range(3):
        people.ready(study, cora, milo)
    with CaptureQueriesContext(connection) as four:
        page = queue(browser, study)
    assert page.count("first decision") == 4
    assert len(four) <= len(one)
    assert len(one) <= 27


def test_everything_for_the_decision_is_on_the_page(browser: Any, flagged: Any) -> None:
    page = browser.get(at("sign_off", flagged)).content.decode()
    assert page.count("<h1") == 1
    assert "physician decides" in page
    assert "Granny&#x27;s &lt;i&gt;blue&lt;/i&gt; drops" in page
    assert "111 mmHg" in page
    assert "passes from 100 to below 140" in page
    assert "Have you ever had asthma" in page
    assert "does not decide whether anybody is healthy" in page
    assert "Limits shown here were set for this study by its physician" in page


def test_signing_in_the_browser(browser: Any, flagged: Any) -> None:
    answer = browser.post(at("sign_off", flagged), sent(flagged))
    assert answer.status_code == 422
    assert "Decide this item first" in answer.content.decode()
    answer = browser.post(at("sign_off", flagged), sent(flagged, **{"item-0": "accept"}))
    assert "Say why" in answer.content.decode()
    items = {"item-0": "accept", "item-0-reason": "Mint, seen."}
    answer = browser.post(at("sign_off", flagged), sent(flagged, **items, password="wrong"))
    assert answer.status_code == 422
    assert "not your password" in answer.content.decode()
    assert "Mint, seen." in answer.content.decode()
    assert not SignOff.objects.exists()
    answer = browser.post(at("sign_off", flagged), sent(flagged, **items, pulse_from="52,5"))
    assert answer.status_code == 302, answer.content.decode()
    signed = SignOff.objects.get()
    assert signed.personal_limits == {"pulse_from": 52.5}
    assert signed.item_decisions[0]["reason"] == "Mint, seen."
    assert sign_off_state(flagged, clock.now()).eligible


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"decision": ""}, "Choose a decision"),
        ({"decision": "maybe"}, "Select a valid choice"),
        ({"decision": "needs_more"}, "Say why"),
        ({"decision": "not_eligible"}, "Say why"),
        ({"password": ""}, "required"),
        ({"pulse_from": "49"}, "Must be from 50"),
        ({"decision": "needs_more", "ask-0": "ECG"}, "Choose from whom “ECG” is needed"),
        ({"pulse_from": "slow"}, "Write one number (beats per minute)"),
        ({"systolic_from": "140"}, "the floor of the protocol"),
        (
            {
                "decision": "needs_more",
                "reason": "ECG",
                "ask-0": "ECG",
                "ask-0-who": "volunteer",
                "pulse_from": "52",
            },
            "eligible decision only",
        ),
    ],
)
def test_wrong_input_signs_nothing(
    browser: Any, waiting: Any, changed: dict[str, str], message: str
) -> None:
    answer = browser.post(at("sign_off", waiting), sent(waiting, **changed))
    assert answer.status_code == 422
    assert message in answer.content.decode()
    assert not SignOff.objects.exists()


def test_an_exclusion_cannot_be_signed_away(browser: Any, waiting: Any, cora: Any) -> None:
    people.answer(
        waiting, cora, supersedes=newest_answers(waiting, "screening"), reason="Asked again.",
        answers=people.quiet_answers(waiting, C_01="yes"),
    )  # fmt: skip
    page = browser.get(at("sign_off", waiting)).content.decode()
    assert "What cannot be signed away" in page
    answer = browser.post(at("sign_off", waiting), sent(waiting))
    assert answer.status_code == 422
    assert "cannot be signed away" in answer.content.decode()
    answer = browser.post(
        at("sign_off", waiting), sent(waiting, decision="not_eligible", reason="Asthma as a child.")
    )
    assert answer.status_code == 302
    waiting.refresh_from_db()
    assert waiting.status == "screened_out"


def test_a_page_opened_before_a_change_signs_nothing(browser: Any, waiting: Any, cora: Any) -> None:
    opened = sent(waiting)
    people.answer(
        waiting, cora, supersedes=newest_answers(waiting, "screening"), reason="Weighed again.",
        weight_kg=71.0,
    )  # fmt: skip
    answer = browser.post(at("sign_off", waiting), opened)
    assert answer.status_code == 409
    assert not SignOff.objects.exists()


def test_a_void_decision_shows_struck_out(browser: Any, waiting: Any, cora: Any, milo: Any) -> None:
    people.sign(waiting, milo)
    assert (
        "void: the content changed since"
        not in browser.get(at("sign_off", waiting)).content.decode()
    )
    people.answer(
        waiting, cora, supersedes=newest_answers(waiting, "screening"), reason="Weighed again.",
        weight_kg=71.0,
    )  # fmt: skip
    page = browser.get(at("sign_off", waiting)).content.decode()
    assert "void: the content changed since" in page
    assert "Weight" in page  # what changed is on the page
    assert "changed after the signature" in page


def test_nothing_on_record_is_said_plainly(browser: Any, volunteer: Any) -> None:
    page = browser.get(at("sign_off", volunteer))
    assert page.status_code == 200
    assert "Nothing is on record to decide on" in page.content.decode()
    assert browser.post(at("sign_off", volunteer), {}).status_code == 200


def test_only_clinicians_come_here(
    study: Any, waiting: Any, client_of: Any, coordinator: Any, experimenter: Any, lead: Any,
    monitor: Any, pharmacist: Any, outsider: Any,
) -> None:  # fmt: skip
    fields = sent(waiting)
    for user in (coordinator, experimenter, lead, monitor, pharmacist):
        client = client_of(user)
        assert client.get(reverse("sign_off_queue", args=[study.slug])).status_code == 403
        assert client.get(at("sign_off", waiting)).status_code == 403
        assert client.post(at("sign_off", waiting), fields).status_code == 403
    assert client_of(outsider).post(at("sign_off", waiting), fields).status_code == 404
    assert not SignOff.objects.exists()
