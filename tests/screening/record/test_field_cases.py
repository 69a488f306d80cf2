"""Field cases F-09 (an ECG that nobody read) and F-21 (a reading of another place or time)."""

import re
from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from screening.models import SignOff, VitalSet
from screening.rules.vitals import Reading
from screening.selectors import decision_of, newest_assessment
from screening.services import ecg_read, number_issue
from studylab import clock
from studylab.errors import NotAllowed, Refused
from tests.allocation import helpers
from tests.screening.record import checks, people
from tests.screening.record.test_own_records import ana, before

pytestmark = [pytest.mark.django_db, pytest.mark.database]
# Readings 1 to 3 of the case: taken now, taken now, and typed from yesterday's note.
__all__ = ["ana", "before"]
FIRST, SECOND, NOTED = (118, 76, 64), (114, 74, 62), (112, 70, 60)


def outcome(participant: Any) -> str:
    made = newest_assessment(participant, "screening")
    assert made is not None
    return made.outcome


@pytest.mark.parametrize(("pr", "conclusion"), [(210, "normal"), (210, "to_weigh")])
def test_f09_an_ecg_is_nothing_until_somebody_read_it(
    before: Any, ana: Any, study: Any, pharmacist: Any, clinician: Any, cora: Any, edda: Any,
    milo: Any, client_of: Any, pr: int, conclusion: str,
) -> None:  # fmt: skip
    """Expect: recorded, not read; sign-off and number refused; PR 210 ms to the physician; former studies shown.

    A PR over 200 ms is first-degree block, so even a clinician's "normal" leaves it to the physician.
    """
    helpers.seal(study, pharmacist)
    assert outcome(ana) == "clear"
    ecg = checks.check(ana, edda, "ecg", values={"pr": pr, "note": "normal"})

    assert outcome(ana) == "cannot_decide"
    page = reverse("sign_off", args=[study.slug, ana.code])
    shown = client_of(clinician).get(page).content.decode()
    assert "recorded, not read" in shown.casefold()
    assert before.code in shown  # the site's own former study, without anyone searching
    with pytest.raises(Refused):
        people.sign(ana, milo)
    assert not SignOff.objects.filter(participant=ana).exists()
    with pytest.raises(Refused, match="No physician has decided yet"):
        number_issue(participant=ana, actor=cora)
    with pytest.raises(NotAllowed):
        ecg_read(check=ecg, conclusion=conclusion, note="Looked at.", actor=edda)
    ecg_read(check=ecg, conclusion=conclusion, note="Looked at.", actor=milo)
    assert outcome(ana) == "physician"


def set_of(
    participant: Any, actor: Any, *taken: tuple[tuple[int, int, int], float], **more: Any
) -> VitalSet:
    """Record readings, each with how many minutes ago it was taken."""
    now = clock.now()
    several = [Reading(*values, at=now - timedelta(minutes=ago)) for values, ago in taken]
    return people.measure(participant, actor, readings=several, **more)


def nothing_decided(made: VitalSet) -> set[str]:
    assert (made.systolic, made.diastolic, made.pulse, made.verdict) == (None, None, None, "")
    return {problem["code"] for problem in made.problems}


def test_f21_a_foreign_or_late_reading_enters_no_average(
    volunteer: Any, cora: Any, edda: Any
) -> None:
    """Expect: a reading of another day, or taken 20 minutes later, is refused or starts a new set."""
    people.answer(volunteer, cora)
    with clock.travel(people.NOW + timedelta(days=1)):
        noted = set_of(volunteer, edda, (FIRST, 2), (SECOND, 1), (NOTED, 23 * 60))
        assert nothing_decided(noted) == {"gap_short"}
        late = set_of(volunteer, edda, (FIRST, 22), (SECOND, 21), (NOTED, 1))
        assert nothing_decided(late) == {"gap_long"}
    assert outcome(volunteer) == "cannot_decide"


def test_f21_a_reading_of_the_other_arm_enters_no_average(
    volunteer: Any, cora: Any, edda: Any
) -> None:
    """Expect: one set, one arm. A set names one arm, and the arm that was found the higher one."""
    people.answer(volunteer, cora)
    with pytest.raises(Refused, match="which arm"):
        set_of(volunteer, edda, (FIRST, 2), (SECOND, 1), (NOTED, 0), arm="both")
    right = set_of(volunteer, edda, (FIRST, 2), (SECOND, 1), (NOTED, 0), arm="right")
    assert nothing_decided(right) == {"other_arm"}
    assert outcome(volunteer) == "cannot_decide"


def test_f21_the_page_shows_which_readings_went_in(
    volunteer: Any, cora: Any, edda: Any, client_of: Any, experimenter: Any
) -> None:
    """Expect: the mean of 2 and 3, unrounded, never of all three; one device and one sitting."""
    made = set_of(volunteer, edda, (FIRST, 2), (SECOND, 1), ((113, 71, 61), 0))
    assert (made.systolic, made.diastolic, made.pulse) == (
        113.5,
        72.5,
        61.5,
    )  # by hand: (114 + 113) / 2, ...
    assert made.device == "BP-2"
    assert decision_of(made).used == (2, 3)  # type: ignore[union-attr]
    page = reverse("vitals", args=[volunteer.study.slug, volunteer.code, made.uid])
    shown = client_of(experimenter).get(page).content.decode()
    assert "113.5 mmHg" in shown
    counts = re.findall(r'<th scope="row">(\d)</th>.*?<td>(yes|no)</td></tr>', shown, re.DOTALL)
    assert counts == [("1", "no"), ("2", "yes"), ("3", "yes")]
