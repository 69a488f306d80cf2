"""The checks besides the readings, the drawing and the teaching page in the browser's words."""

from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from screening.models import Check, Timing
from studylab import clock
from studylab.people.models import User
from tests.screening.record import checks, people

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def at(name: str, participant: Any, *more: Any) -> str:
    return reverse(name, args=[participant.study.slug, participant.code, *more])


def sent(**values: Any) -> dict[str, Any]:
    """Return what every check sends, and `values`."""
    edda = User.objects.get(name="Edda Marlow")
    return {
        "taken_at": "2026-03-04T10:00", "device": "D-1", "entry": "typed", "measured_by": str(edda.pk),
        **values,
    }  # fmt: skip


@pytest.fixture
def browser(client_of: Any, experimenter: Any) -> Any:
    return client_of(experimenter)


def test_the_standing_test_is_timed_by_the_server(browser: Any, volunteer: Any) -> None:
    url = at("check_add", volunteer, "screening", "standing_test")
    typed = sent(start="lying", before_systolic="118", before_diastolic="74")
    assert browser.post(url, typed | {"start_lying": "1"}).status_code == 200
    with clock.travel(people.NOW + timedelta(minutes=5)):
        page = browser.post(url, typed | {"start_stand": "1"}).content.decode()
        assert 'value="118"' in page  # what was typed is still there
        assert page.count("data-countdown") >= 3
    with clock.travel(people.NOW + timedelta(minutes=9)):
        fields = typed | {
            "one_systolic": "112", "one_diastolic": "73", "one_at": "10:06:02", "three_systolic": "114",
            "three_diastolic": "75", "three_at": "10:08:03", "symptoms": "no",
        }  # fmt: skip
        answer = browser.post(url, fields)
        assert answer.status_code == 302, answer.content.decode()
        page = browser.get(answer.headers["Location"]).content.decode()
        assert "1 min standing 112/73" in page
        again = browser.get(url).content.decode()
    assert "data-countdown" not in again  # that test is over
    stored = Check.objects.get()
    assert (stored.outcome, stored.values["rest_seconds"]) == ("pass", 300)
    assert Timing.objects.count() == 2


@pytest.mark.parametrize(
    ("kind", "values", "message"),
    [
        ("breath_alcohol", {"value": ""}, "0 when it shows 0.00"),
        ("breath_alcohol", {"value": "0,4,5"}, "Write one number (mg/L)"),
        ("breath_alcohol", {"value": "500"}, "Must be from 0 to 3"),
        ("last_meal", {"eaten_at": "2026-03-05T10:00"}, "later than now"),
        ("last_meal", {"eaten_at": "2026-02-30T10:00"}, "Enter a valid date/time"),
        ("pregnancy_test", {}, "This field is required"),
        ("ecg", {"pr": "160", "qrs": "90", "qt": "4000", "rate": "60"}, "4000 is not between 200 and 700"),
        ("standing_test", {"start": "lying", "symptoms": "no", "before_systolic": "12",
                           "before_diastolic": "8"}, "12 is not between 60 and 260"),
    ],
)  # fmt: skip
def test_wrong_input_is_said_and_nothing_is_kept(
    browser: Any, volunteer: Any, kind: str, values: dict[str, str], message: str
) -> None:
    answer = browser.post(at("check_add", volunteer, "screening", kind), sent(**values))
    page = answer.content.decode()
    assert answer.status_code == 422
    assert message in page
    assert 'value="D-1"' in page or kind == "last_meal"
    assert not Check.objects.exists()


def test_a_comma_is_a_decimal_point(browser: Any, volunteer: Any) -> None:
    url = at("check_add", volunteer, "screening", "breath_alcohol")
    assert browser.post(url, sent(value="0,00")).status_code == 302
    assert Check.objects.get().outcome == "pass"


def test_an_ecg_waits_for_the_clinician(
    browser: Any, volunteer: Any, edda: Any, client_of: Any, clinician: Any
) -> None:
    ecg = checks.check(volunteer, edda, "ecg")
    assert "Recorded, not read" in browser.get(at("check", volunteer, ecg.uid)).content.decode()
    assert browser.get(at("ecg_read", volunteer, ecg.uid)).status_code == 403
    doctor = client_of(clinician)
    queue = doctor.get(reverse("sign_off_queue", args=[volunteer.study.slug])).content.decode()
    assert at("ecg_read", volunteer, ecg.uid) in queue
    front = doctor.get(reverse("home", args=[volunteer.study.slug])).content.decode()
    assert "ECGs to read" in front
    assert at("ecg_read", volunteer, ecg.uid) in front
    url = at("ecg_read", volunteer, ecg.uid)
    assert "Say what the ECG shows" in doctor.post(url, {"conclusion": "to_weigh"}).content.decode()
    answer = doctor.post(url, {"conclusion": "normal"})
    assert "read as normal" in doctor.get(answer.headers["Location"]).content.decode()


def test_a_set_is_drawn_and_listed_with_all_that_came_before(
    browser: Any, volunteer: Any, edda: Any
) -> None:
    first = people.measure(volunteer, edda, readings=people.readings(people.same(97)))
    with clock.travel(people.NOW + timedelta(days=1)):
        second = people.measure(volunteer, edda, reason="On another day, as asked.")
        page = browser.get(at("vitals", volunteer, second.uid)).content.decode()
    assert '<svg class="chart"' in page
    assert "97/70, 65" in page
    assert at("vitals", volunteer, first.uid) in page
    assert "On another day, as asked." in page
    assert "The newest set decides, and every earlier one counts" in page


def test_the_curve_is_for_clinicians_and_about_nobody(
    volunteer: Any, client_of: Any, clinician: Any, experimenter: Any
) -> None:
    url = reverse("teaching_curve", args=[volunteer.study.slug])
    assert client_of(experimenter).get(url).status_code == 403
    page = client_of(clinician).get(url, {"set": "no such set"}).content.decode()
    for said in ("36.31", "34.49", "0.82", "Never use it to judge safety", "for no person"):
        assert said in page
    assert volunteer.code not in page
