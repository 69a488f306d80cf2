"""The questionnaire in the browser's words: what is sent, what comes back."""

import re
from datetime import timedelta
from typing import Any

import pytest
from django.utils.html import escape

from screening.models import AnswerSet
from screening.selectors import newest_answers, newest_assessment
from studylab import clock
from tests.screening.record import people
from tests.screening.record.browser import at, questionnaire

pytestmark = [pytest.mark.django_db, pytest.mark.database]

SLIP = {"medicine-0-name": "Aspirin", "medicine-0-prescribed": "no", "no_medicines": ""}
TWICE = SLIP | {
    "medicine-0-name": "Advil", "medicine-1-name": "ibuprofen", "medicine-1-prescribed": "no",
}  # fmt: skip


@pytest.fixture
def browser(client_of: Any, coordinator: Any) -> Any:
    """The coordinator, signed in."""
    return client_of(coordinator)


def test_the_page_asks_every_question_by_topic(browser: Any, volunteer: Any) -> None:
    page = browser.get(at("questions", volunteer)).content.decode()
    for key in people.quiet_answers(volunteer):
        assert f'name="{key}"' in page, key
    assert page.count("<h1") == 1
    for title in ("Breathing", "Heart", "Taking part", "This study", "Medicines"):
        assert title in page
    assert "excludes" not in page  # nothing tells which answer counts


def test_a_whole_questionnaire_is_saved(browser: Any, volunteer: Any) -> None:
    answer = browser.post(at("questions", volunteer), questionnaire(volunteer, weight_kg="68,5"))
    assert answer.status_code == 302, answer.content.decode()
    assert answer.headers["Location"] == at("assessment", volunteer)
    stored = newest_answers(volunteer, "screening")
    assert stored is not None
    assert (stored.weight_kg, stored.height_cm, stored.no_medicines) == (68.5, 172, True)
    assert stored.answers == people.quiet_answers(volunteer)
    page = browser.get(answer.headers["Location"]).content.decode()
    assert "cannot decide" in page
    assert "clinician or experimenter" in page  # who can supply the readings


def test_a_part_may_stay_open(browser: Any, volunteer: Any) -> None:
    part = {
        "base": "",
        "source": "volunteer",
        "medicine-TOTAL_FORMS": "0",
        "medicine-INITIAL_FORMS": "0",
    }
    assert browser.post(at("questions", volunteer), part | {"C-01": "no"}).status_code == 302
    stored = newest_answers(volunteer, "screening")
    assert stored is not None
    assert stored.answers == {"C-01": {"value": "no", "detail": ""}}
    made = newest_assessment(volunteer, "screening")
    assert made is not None
    assert made.outcome == "cannot_decide"
    page = browser.get(at("answers", volunteer)).content.decode()
    assert "not answered" in page


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"weight_kg": "heavy"}, "Write one number (kg)"),
        ({"weight_kg": "1,234"}, "Write one number (kg)"),
        ({"weight_kg": "6_8"}, "Write one number (kg)"),
        ({"weight_kg": "nan"}, "Write one number (kg)"),
        ({"height_cm": "1.72"}, "Must be from 100 to 250 cm"),
        ({"C-01": "perhaps"}, "Select a valid choice"),
        ({"C-38a": "-3"}, "Must be from 0"),
        ({"C-38a": "3", "C-38a-unsure": "on"}, "Either a value or “not sure”"),
        ({"source": ""}, "required"),
        ({"given_at": "yesterday"}, "Enter a valid date/time"),
        (
            {"medicine-0-name": "Aspirin", "medicine-0-prescribed": "no"},
            "Remove the tick or the medicines",
        ),
        ({"medicine-0-dose": "two a day"}, "Write the name, or empty the whole row"),
        ({"medicine-0-name": "Aspirin"}, "Say whether a doctor or somebody else prescribed it"),
        ({"medicine-0-name": "Aspirin", "medicine-0-route": "owl"}, "Select a valid choice"),
        ({"medicine-TOTAL_FORMS": "many"}, "ManagementForm"),
        ({"C-01-detail": "w" * 4000}, "Shorten this to 1000 characters; it has 4000"),
        ({"medicine-0-name": "w" * 4000}, "Shorten this to 200 characters; it has 4000"),
        (TWICE, "the same medicine as number 1, Advil"),
        (SLIP | {"medicine-0-name": "Propanolol"}, "If propranolol is meant, write that"),
        (SLIP | {"medicine-0-last_taken": "2026-03-04T10:01"}, "later than now"),
        (SLIP | {"medicine-0-last_taken": "2026-02-31T10:00"}, "Enter a valid date/time"),
        (SLIP | {"medicine-0-prescriber": "Dr Moss"}, "“prescribed” says no"),
        ({"C-46a": "yes", "C-46b": "2026-02-30"}, "Enter a valid date"),
    ],
)
def test_wrong_input_comes_back_with_what_was_typed(
    browser: Any, volunteer: Any, changed: dict[str, str], message: str
) -> None:
    answer = browser.post(at("questions", volunteer), questionnaire(volunteer, **changed))
    page = answer.content.decode()
    assert answer.status_code == 422
    assert message in page
    assert 'value="172"' in page or changed.get("height_cm")
    for typed in changed.values():  # nothing typed is lost, however wrong
        assert escape(typed) in page or typed in ("perhaps", "owl", "many", "", "on", "yes", "no")
    assert not AnswerSet.objects.exists()


def test_a_future_time_is_refused_at_its_field(browser: Any, volunteer: Any) -> None:
    later = questionnaire(volunteer, given_at="2026-03-04T10:01")  # it is ten
    answer = browser.post(at("questions", volunteer), later)
    assert answer.status_code == 422
    assert "later than now" in answer.content.decode()


def test_answers_before_the_consent_are_refused_in_words(browser: Any, volunteer: Any) -> None:
    answer = browser.post(
        at("questions", volunteer), questionnaire(volunteer, given_at="2026-03-04T08:00")
    )
    assert answer.status_code == 422
    assert "no consent that was given before" in answer.content.decode()


def test_a_change_needs_a_reason_and_shows_what_differs(
    browser: Any, volunteer: Any, cora: Any
) -> None:
    people.answer(volunteer, cora)
    changed = questionnaire(
        volunteer, **{"C-13a": "yes", "C-13a-detail": "Once, <b>last</b> spring"}
    )
    answer = browser.post(at("questions", volunteer), changed)
    assert answer.status_code == 422
    assert "Say why the answers are changed" in answer.content.decode()
    answer = browser.post(
        at("questions", volunteer), changed | {"reason": "Remembered it at home."}
    )
    assert answer.status_code == 302
    page = browser.get(at("answers", volunteer)).content.decode()
    assert "Remembered it at home." in page
    assert "yes" in page
    assert AnswerSet.objects.filter(participant=volunteer).count() == 2


def test_an_answer_taken_back_is_shown_as_such(
    browser: Any, volunteer: Any, cora: Any, client_of: Any, clinician: Any
) -> None:
    people.answer(volunteer, cora, answers=people.quiet_answers(volunteer, C_01="yes"))
    browser.post(at("questions", volunteer), questionnaire(volunteer, reason="Meant hay fever."))
    for page in (
        browser.get(at("answers", volunteer)),
        client_of(clinician).get(at("sign_off", volunteer)),
    ):
        assert "taken back" in page.content.decode()


def test_a_stale_page_writes_nothing(browser: Any, volunteer: Any, cora: Any) -> None:
    opened = questionnaire(volunteer, **{"C-01-detail": "typed by me"})
    people.answer(volunteer, cora)
    answer = browser.post(at("questions", volunteer), opened)
    assert answer.status_code == 409
    page = answer.content.decode()
    assert "Somebody changed these answers" in page
    assert "typed by me" in page
    assert AnswerSet.objects.count() == 1


def test_questions_of_the_day_lead_back_to_where_they_were_asked_from(
    browser: Any, volunteer: Any, cora: Any
) -> None:
    people.answer(
        volunteer, cora, no_medicines=False, medicines=[{"name": "Ibuprofen", "prescribed": False}]
    )
    visit = people.book_visit(volunteer)
    url = at("dosing_day_questions", volunteer, visit)
    page = browser.get(url, {"next": "/s/slide-story/"}).content.decode()
    assert 'value="Ibuprofen"' in page  # the list of screening is there to be gone through
    assert 'name="weight_kg"' not in page
    fields = questionnaire(volunteer, "dosing_day", next="/s/slide-story/")
    answer = browser.post(url, fields)
    assert answer.status_code == 302, re.findall(r"<li>.*?</li>", answer.content.decode())
    assert answer.headers["Location"] == "/s/slide-story/"
    made = newest_assessment(volunteer, "dosing_day", visit)
    assert made is not None
    assert made.outcome == "clear"


@pytest.mark.parametrize(
    "next_url", ["https://elsewhere.example/", "//elsewhere.example", "javascript:x"]
)
def test_nobody_is_sent_to_another_site(browser: Any, volunteer: Any, next_url: str) -> None:
    answer = browser.post(at("questions", volunteer), questionnaire(volunteer, next=next_url))
    assert answer.headers["Location"] == at("assessment", volunteer)


def test_who_sees_and_who_asks(
    volunteer: Any,
    cora: Any,
    client_of: Any,
    monitor: Any,
    lead: Any,
    pharmacist: Any,
    outsider: Any,
) -> None:
    people.answer(volunteer, cora)
    for user, asks, reads in (
        (monitor, 403, 200),
        (lead, 403, 200),
        (pharmacist, 403, 403),
        (outsider, 404, 404),
    ):
        client = client_of(user)
        assert client.get(at("questions", volunteer)).status_code == asks
        assert client.post(at("questions", volunteer), {}).status_code == asks
        for name in ("answers", "assessment"):
            assert client.get(at(name, volunteer)).status_code == reads, (user, name)


def test_a_visit_of_somebody_else_is_not_found(
    browser: Any, volunteer: Any, study: Any, cora: Any
) -> None:
    other = people.add_volunteer(study, cora)
    people.consent(other, cora)
    visit = people.book_visit(other)
    for name in ("dosing_day_questions", "dosing_day_assessment"):
        assert browser.get(at(name, volunteer, visit)).status_code == 404


def test_rules_are_run_again_when_the_protocol_changed(
    browser: Any, volunteer: Any, cora: Any, study: Any
) -> None:
    from studylab.studies.models import ProtocolVersion
    from studylab.studies.rules.loader import protocol_hash
    from tests.cast import DOCUMENTS

    people.answer(volunteer, cora)
    text = (
        (DOCUMENTS / "demo.toml")
        .read_text(encoding="utf-8")
        .replace("age_max = 45", "age_max = 25")
    )
    ProtocolVersion.objects.create(
        study=study, number=2, document=text, sha256=protocol_hash(text), added_at=clock.now()
    )
    assert (
        "protocol or rules changed since"
        in browser.get(at("assessment", volunteer)).content.decode()
    )
    with clock.travel(people.NOW + timedelta(minutes=1)):
        assert browser.post(at("assessment_again", volunteer)).status_code == 302
    page = browser.get(at("assessment", volunteer)).content.decode()
    assert "protocol or rules changed since" not in page
    assert "excluded by the rules" in page


def test_the_day_is_asked_anew_with_what_was_said_before_the_visit(
    browser: Any, volunteer: Any, cora: Any
) -> None:
    people.answer(volunteer, cora)
    visit = people.book_visit(volunteer, start=people.NOW + timedelta(days=1))
    ahead = at("ahead_questions", volunteer, visit)
    page = browser.get(ahead).content.decode()
    assert "Keep taking every prescribed medicine" in page
    assert "No alcohol in the 24 hours before" in page
    fields = questionnaire(volunteer, "ahead", **{"D-02": "yes", "D-02-detail": "a cold"})
    answer = browser.post(ahead, fields)
    assert answer.status_code == 302, re.findall(r"<li>.*?</li>", answer.content.decode())
    assert "acute illness" in browser.get(answer.headers["Location"]).content.decode()
    today = at("dosing_day_questions", volunteer, visit)
    with clock.travel(people.NOW + timedelta(days=1)):
        page = browser.get(today).content.decode()
        assert "said before the visit" in page
        assert "Yes: a cold" in page
        assert "checked" not in page.split('name="D-02"')[1].split(">")[0]
        answer = browser.post(today, questionnaire(volunteer, "dosing_day"))
        assert answer.status_code == 302
    with clock.travel(
        people.NOW + timedelta(days=2)
    ):  # moved by a day: nothing of yesterday is ticked
        page = browser.get(today).content.decode()
        assert 'value="Asked again on the day of the dose."' in page
        assert not re.search(r'name="D-0\d"[^>]*checked', page)
