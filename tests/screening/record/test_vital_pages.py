"""Readings in the browser's words."""

from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.urls import reverse
from django.utils.html import strip_tags

from screening.models import Timing, VitalSet
from screening.selectors import newest_vitals
from studylab import clock
from studylab.people.models import User
from tests.screening.record import people

pytestmark = [pytest.mark.django_db, pytest.mark.database]
HALIFAX = ZoneInfo("America/Halifax")
EDDA = "Edda Marlow"


def at(name: str, participant: Any, *more: Any) -> str:
    """Return the address of a page about somebody."""
    return reverse(name, args=[participant.study.slug, participant.code, *more])


def sent(
    start: str = "", values: Any = people.PASS, gap: int = 60, **changed: Any
) -> dict[str, Any]:
    """Return what a browser sends for a set whose last reading is now, local times of day."""
    fields: dict[str, Any] = {
        "start": start, "base": "", "measured_on": local(clock.now())[:10], "posture": "seated", "arm": "left",
        "cuff": "M", "device": "BP-2", "entry": "typed", "rhythm": "regular", "left_systolic": "120",
        "left_diastolic": "78", "right_systolic": "116", "right_diastolic": "77",
        "measured_by": str(User.objects.get(name=EDDA).pk),
    }  # fmt: skip
    for number, reading in enumerate(people.readings(values, gap=gap), start=1):
        for measure in ("systolic", "diastolic", "pulse"):
            fields[f"reading_{number}.{measure}"] = str(getattr(reading, measure))
        assert reading.at is not None
        fields[f"reading_{number}.at"] = local(reading.at)[11:]
    return fields | changed


def local(moment: datetime) -> str:
    """Return a moment as local day and time of day."""
    return moment.astimezone(HALIFAX).strftime("%Y-%m-%d %H:%M:%S")


@pytest.fixture
def browser(client_of: Any, experimenter: Any) -> Any:
    """The experimenter, signed in."""
    return client_of(experimenter)


@pytest.fixture
def start(browser: Any, volunteer: Any) -> str:
    """The name of a rest that began now; it is there again on every page, also on another tablet."""
    url = at("vitals_add", volunteer, "screening")
    answer = browser.post(url, {"start_rest": "1"})
    assert answer.status_code == 302
    with clock.travel(people.NOW + timedelta(minutes=2)):
        page = browser.get(url).content.decode()
    assert "data-countdown" in page
    assert "The rest began at 10:00" in page
    return str(Timing.objects.get().uid)


def test_no_limit_stands_beside_the_fields(browser: Any, volunteer: Any) -> None:
    page = browser.get(at("vitals_add", volunteer, "screening")).content.decode()
    words = strip_tags(page)  # a key in a tag may hold any figure
    for figure in ("100 to", "140", "passes from", "review"):
        assert figure not in words


def test_a_set_is_taken_by_the_servers_clock(browser: Any, volunteer: Any, start: str) -> None:
    with clock.travel(people.NOW + timedelta(minutes=8)):
        answer = browser.post(at("vitals_add", volunteer, "screening"), sent(start))
    assert answer.status_code == 302, answer.content.decode()
    stored = newest_vitals(volunteer, "screening")
    assert stored is not None
    assert (stored.systolic, stored.verdict, stored.rest_seconds) == (111, "pass", 360)
    assert (stored.rest.kind, stored.left_systolic, stored.entry) == ("rest", 120, "typed")
    assert (stored.measured_by.name, stored.recorded_by.name) == (EDDA, EDDA)
    with clock.travel(people.NOW + timedelta(minutes=9)):  # that rest is over
        page = browser.get(at("vitals_add", volunteer, "screening")).content.decode()
        assert "data-countdown" not in page
    page = browser.get(answer.headers["Location"]).content.decode()
    assert "inside the limits" in page
    assert "111 mmHg" in page
    assert "passes from 100 to below 140" in page
    assert "proposals: no physician has confirmed them" in page


def test_a_rest_cut_short_decides_nothing(browser: Any, volunteer: Any, start: str) -> None:
    with clock.travel(people.NOW + timedelta(minutes=6)):
        answer = browser.post(at("vitals_add", volunteer, "screening"), sent(start))
    page = browser.get(answer.headers["Location"]).content.decode()
    assert "cannot decide" in page
    assert "rested 240 s" in page


def test_a_forged_start_is_refused(browser: Any, volunteer: Any, start: str) -> None:
    with clock.travel(people.NOW + timedelta(minutes=8)):
        answer = browser.post(at("vitals_add", volunteer, "screening"), sent(start + "x"))
    assert answer.status_code == 422
    assert "Start the rest again" in answer.content.decode()
    assert not VitalSet.objects.exists()


def test_a_start_of_somebody_else_is_refused(
    browser: Any, volunteer: Any, study: Any, cora: Any, start: str
) -> None:
    other = people.add_volunteer(study, cora)
    people.consent(other, cora)
    with clock.travel(people.NOW + timedelta(minutes=8)):
        answer = browser.post(at("vitals_add", other, "screening"), sent(start))
    assert answer.status_code == 422


def test_the_rest_may_be_written_down_instead(browser: Any, volunteer: Any) -> None:
    with clock.travel(people.NOW + timedelta(minutes=8)):
        browser.post(at("vitals_add", volunteer, "screening"), sent(rest_began="10:00:30"))
    stored = newest_vitals(volunteer, "screening")
    assert stored is not None
    assert (stored.rest_seconds, stored.verdict) == (330, "pass")


def test_without_a_known_rest_nothing_is_decided(browser: Any, volunteer: Any) -> None:
    browser.post(at("vitals_add", volunteer, "screening"), sent())
    stored = newest_vitals(volunteer, "screening")
    assert stored is not None
    assert [problem["code"] for problem in stored.problems] == ["rest_unknown"]


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"reading_2.systolic": "112/72"}, "Enter one whole number (mmHg)"),
        ({"reading_2.systolic": "12", "reading_2.diastolic": "8"}, "12 is not between 60 and 260"),
        ({"reading_2.systolic": "111.5"}, "Enter one whole number (mmHg)"),
        ({"reading_2.systolic": "111,5"}, "Enter one whole number (mmHg)"),
        ({"reading_2.systolic": "", "reading_2.pulse": ""}, "Systolic pressure is not entered"),
        ({"reading_2.systolic": "72", "reading_2.diastolic": "112"}, "must be more than 10 mmHg below"),
        ({"reading_2.pulse": "sixty"}, "Enter one whole number (beats per minute)"),
        ({"reading_2.at": "half ten"}, "hours, minutes and seconds"),
        ({"reading_2.at": ""}, "Enter the time it was taken"),
        ({"reading_3.at": "10:00:01"}, "later than now"),
        ({"measured_on": "2026-03-05"}, "later than now"),
        ({"rest_began": "09:59:00"}, "earlier than the start of the rest"),
        ({"reading_2.systolic": "", "reading_2.diastolic": "", "reading_2.pulse": "", "reading_2.at": ""},
         "Reading 2 is empty"),
        ({"posture": ""}, "This field is required"),
        ({"arm": "both"}, "Select a valid choice"),
        ({"symptoms": ["wheeze"], "no_symptoms": "on"}, "Remove one of the two"),
        ({"rhythm": ""}, "This field is required"),
        ({"rhythm": "irregular", "rest_began": "09:45:00"}, "count it for 60 seconds"),
        ({"counted_pulse": "500"}, "500 is not between 30 and 220"),
        ({"left_systolic": "", "left_diastolic": ""}, "Systolic pressure is not entered"),
        ({"right_systolic": "12", "right_diastolic": "8"}, "12 is not between 60 and 260"),
        ({"right_systolic": "130"}, "The right arm read higher"),
        ({"girth_cm": "280"}, "Must be from 15 to 70 cm"),
        ({"measured_by": "0"}, "Select a valid choice"),
    ],
)  # fmt: skip
def test_wrong_input_comes_back_with_what_was_typed(
    browser: Any, volunteer: Any, changed: dict[str, Any], message: str
) -> None:
    answer = browser.post(at("vitals_add", volunteer, "screening"), sent(**changed))
    page = answer.content.decode()
    assert answer.status_code == 422
    assert message in page
    assert 'value="118"' in page
    assert not VitalSet.objects.exists()


def test_readings_of_yesterday_before_the_consent_are_refused_in_words(
    browser: Any, volunteer: Any
) -> None:
    answer = browser.post(at("vitals_add", volunteer, "screening"), sent(measured_on="2026-03-03"))
    assert answer.status_code == 422
    assert "no consent that was given before" in answer.content.decode()


def test_a_fourth_reading_is_asked_for_while_there_is_time(
    browser: Any, volunteer: Any, start: str
) -> None:
    values = [(118, 76, 70), (120, 76, 70), (132, 76, 70)]
    url = at("vitals_add", volunteer, "screening")
    with clock.travel(people.NOW + timedelta(minutes=8)):
        three = sent(start, values)
        answer = browser.post(url, three)
        assert answer.status_code == 422
        assert "take a fourth reading" in answer.content.decode()
        assert not VitalSet.objects.exists()
    with clock.travel(people.NOW + timedelta(minutes=9)):
        assert browser.post(url, sent(start, [*values, (126, 74, 70)])).status_code == 302
    stored = newest_vitals(volunteer, "screening")
    assert stored is not None
    assert stored.systolic == 129
    with clock.travel(people.NOW + timedelta(minutes=10)):
        kept = three | {
            "as_it_is": "1",
            "base": str(stored.uid),
            "start": "",
            "reason": "Asked for.",
        }
        assert browser.post(url, kept).status_code == 302
    assert VitalSet.objects.filter(systolic=None).count() == 1


def test_a_set_that_somebody_else_recorded_meanwhile_is_a_conflict(
    browser: Any, volunteer: Any, edda: Any
) -> None:
    opened = sent(rest_began="09:50:00")
    people.measure(volunteer, edda)
    answer = browser.post(at("vitals_add", volunteer, "screening"), opened)
    assert answer.status_code == 409
    assert "Another set was recorded here" in answer.content.decode()
    assert VitalSet.objects.count() == 1


def test_a_set_is_corrected_with_a_reason(browser: Any, volunteer: Any, edda: Any) -> None:
    wrong = people.measure(volunteer, edda)
    url = at("vitals_correct", volunteer, wrong.uid)
    page = browser.get(url).content.decode()
    assert 'value="118"' in page
    fields = sent(rest_began="09:50:00", base=str(wrong.uid), arm="right", right_systolic="126")
    assert "This field is required" in browser.post(url, fields).content.decode()
    answer = browser.post(url, fields | {"reason": "It was the right arm."})
    assert answer.status_code == 302, answer.content.decode()
    old = browser.get(at("vitals", volunteer, wrong.uid)).content.decode()
    assert "It was the right arm." in old
    assert "not the newest" in old


def test_the_gates_of_a_visit(browser: Any, volunteer: Any) -> None:
    visit = people.book_visit(volunteer)
    assert browser.get(at("vitals_add", volunteer, "pre_dose")).status_code == 404
    assert browser.get(at("visit_vitals_add", volunteer, visit, "screening")).status_code == 404
    assert browser.get(at("visit_vitals_add", volunteer, visit, "brunch")).status_code == 404
    for gate in ("pre_dose", "post_dose", "leave"):
        page = browser.get(at("visit_vitals_add", volunteer, visit, gate))
        assert page.status_code == 200
        assert ("why_off_time" in page.content.decode()) == (gate == "post_dose")


def test_after_the_dose_symptoms_are_asked(browser: Any, volunteer: Any) -> None:
    visit = people.book_visit(volunteer)
    url = at("visit_vitals_add", volunteer, visit, "post_dose")
    answer = browser.post(url, sent())
    assert answer.status_code == 422
    assert "“none of these” after asking" in answer.content.decode()
    answer = browser.post(url, sent(no_symptoms="on"))
    assert answer.status_code == 422
    assert "wait after the dose is not over" in answer.content.decode()


def test_before_the_dose_the_page_says_what_comes_next(browser: Any, volunteer: Any) -> None:
    visit = people.book_visit(volunteer)
    url = at("visit_vitals_add", volunteer, visit, "pre_dose")
    fields = sent(values=people.same(97), rest_began="09:50:00", next="/s/slide-story/")
    answer = browser.post(url, fields)
    page = browser.get(answer.headers["Location"]).content.decode()
    assert "repeat the whole set" in page
    assert "rest 10 minutes" in page
    assert 'href="/s/slide-story/"' in page
    again = browser.get(url).content.decode()
    assert "this set is the repeat" in again


def test_who_sees_and_who_measures(
    volunteer: Any, edda: Any, client_of: Any, coordinator: Any, monitor: Any, pharmacist: Any,
    outsider: Any,
) -> None:  # fmt: skip
    stored = people.measure(volunteer, edda)
    for user, takes, reads in (
        (coordinator, 403, 200),
        (monitor, 403, 200),
        (pharmacist, 403, 403),
        (outsider, 404, 404),
    ):
        client = client_of(user)
        assert client.post(at("vitals_add", volunteer, "screening"), sent()).status_code == takes
        assert client.get(at("vitals_correct", volunteer, stored.uid)).status_code == takes
        assert client.get(at("vitals", volunteer, stored.uid)).status_code == reads
    assert VitalSet.objects.count() == 1


def test_another_persons_set_is_not_found(
    browser: Any, volunteer: Any, study: Any, cora: Any, edda: Any
) -> None:
    other = people.add_volunteer(study, cora)
    people.consent(other, cora)
    foreign = people.measure(other, edda)
    for name in ("vitals", "vitals_correct"):
        assert browser.get(at(name, volunteer, foreign.uid)).status_code == 404
