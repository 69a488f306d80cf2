"""Recording vital sets: what they decide, their verdicts, and the holds that follow."""

from datetime import timedelta
from typing import Any

import pytest
from django.db import IntegrityError

from screening.models import Assessment, VitalReading, VitalSet
from screening.rules.vitals import Reading
from screening.selectors import decision_of, newest_assessment, newest_vitals
from screening.services import ecg_read
from studylab import clock
from studylab.errors import Conflict, NotAllowed, Refused
from tests.screening.record import checks, people

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def test_the_decision_is_the_unrounded_mean_of_readings_2_and_3(volunteer: Any, edda: Any) -> None:
    """Vector V1 of the proposed defaults."""
    stored = people.measure(volunteer, edda)
    assert (stored.systolic, stored.diastolic, stored.pulse) == (111, 71, 65)
    assert stored.verdict == "pass"
    again = newest_vitals(volunteer, "screening")
    decision = decision_of(again)
    assert decision is not None
    assert decision.used == (2, 3)  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("second", "third", "verdict", "value"),
    [
        ((99, 62, 61), (99, 64, 63), "physician", 99.0),  # V2
        ((89, 60, 62), (90, 60, 62), "repeat", 89.5),  # V3: never rounded up to 90
        ((110, 70, 59), (110, 70, 60), "physician", 110.0),  # V4: pulse 59.5
        ((140, 80, 70), (140, 80, 70), "physician", 140.0),
        ((139, 80, 70), (140, 80, 70), "pass", 139.5),
        ((110, 70, 100), (110, 70, 100), "pass", 110.0),
        ((110, 70, 101), (110, 70, 101), "repeat", 110.0),
    ],
)
def test_verdicts_at_screening(
    volunteer: Any, edda: Any, second: Any, third: Any, verdict: str, value: float
) -> None:
    stored = people.measure(
        volunteer, edda, readings=people.readings([(118, 76, 70), second, third])
    )
    assert (stored.systolic, stored.verdict) == (value, verdict)


def test_a_wide_difference_needs_a_fourth_reading(volunteer: Any, edda: Any) -> None:
    """Vector V5: 120 and 132 differ by 12."""
    three = [(118, 76, 70), (120, 76, 70), (132, 76, 70)]
    stored = people.measure(volunteer, edda, readings=people.readings(three))
    assert stored.systolic is None
    assert [problem["code"] for problem in stored.problems] == ["fourth_required"]
    four = people.measure(volunteer, edda, readings=people.readings([*three, (126, 74, 70)]))
    assert four.systolic == 129
    assert decision_of(four).used == (3, 4)  # type: ignore[union-attr]


def test_readings_of_another_time_are_kept_but_never_averaged(volunteer: Any, edda: Any) -> None:
    """Two readings now and one from twenty minutes later, as in field cases of foreign readings."""
    now = clock.now()
    times = [now - timedelta(minutes=22), now - timedelta(minutes=21), now - timedelta(minutes=1)]
    stored = people.measure(
        volunteer, edda,
        readings=[Reading(*v, at=at) for v, at in zip(people.PASS, times, strict=True)],
    )  # fmt: skip
    assert (stored.systolic, stored.diastolic, stored.pulse, stored.verdict) == (
        None,
        None,
        None,
        "",
    )
    assert [problem["code"] for problem in stored.problems] == ["gap_long"]
    assert stored.readings.count() == 3
    made = newest_assessment(volunteer, "screening")
    assert made is not None
    assert made.outcome == Assessment.Outcome.CANNOT_DECIDE


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"rest_seconds": 299}, "rest_short"),
        ({"rest_seconds": None}, "rest_unknown"),
        ({"readings": people.readings(ended=people.NOW, gap=45)}, "gap_short"),  # V9
        ({"readings": people.readings(people.PASS[:2], ended=people.NOW)}, "too_few"),
        ({"posture": "lying"}, "posture"),
    ],
)
def test_a_set_not_taken_as_asked_decides_nothing(
    volunteer: Any, edda: Any, changes: dict[str, Any], code: str
) -> None:
    stored = people.measure(volunteer, edda, **changes)
    assert (stored.systolic, stored.verdict) == (None, "")
    assert {problem["code"] for problem in stored.problems} == {code}


@pytest.mark.parametrize(
    ("reading", "field"),
    [
        ((12, 8, 70), "reading_2.systolic"),
        ((120, 118, 70), "reading_2.diastolic"),
        ((80, 120, 70), "reading_2.diastolic"),
        ((120, 80, 600), "reading_2.pulse"),
        ((120.5, 80, 70), "reading_2.systolic"),
        ((None, 80, 70), "reading_2.systolic"),
        ((float("nan"), 80, 70), "reading_2.systolic"),
    ],
)
@pytest.mark.shows("A-20")
def test_what_cannot_be_a_reading_is_refused_at_its_field(
    volunteer: Any, edda: Any, reading: Any, field: str
) -> None:
    with pytest.raises(Refused) as refusal:
        people.measure(
            volunteer, edda, readings=people.readings([(118, 76, 70), reading, (110, 70, 64)])
        )
    assert refusal.value.field == field
    assert not VitalSet.objects.exists()


def test_readings_have_a_time_that_has_come(volunteer: Any, edda: Any) -> None:
    late = people.readings(ended=clock.now() + timedelta(seconds=1))
    with pytest.raises(Refused, match="later than now"):
        people.measure(volunteer, edda, readings=late)
    with pytest.raises(Refused, match="enter the time"):
        people.measure(volunteer, edda, readings=[Reading(118, 76, 70, None)])


def test_nothing_is_measured_before_the_consent_to_the_study(
    at_ten: None, study: Any, cora: Any, edda: Any
) -> None:
    participant = people.add_volunteer(study, cora)  # agreed to questions only
    with pytest.raises(Refused, match="no consent that was given before"):
        people.measure(participant, edda)
    people.consent(participant, cora, minutes_ago=1)
    with pytest.raises(Refused, match="no consent that was given before"):
        people.measure(participant, edda)  # the first reading was two minutes ago
    assert not VitalSet.objects.exists()


def test_the_database_itself_refuses_readings_before_the_consent(volunteer: Any) -> None:
    with pytest.raises(IntegrityError, match="no consent"):
        people.sql(
            """INSERT INTO screening_vitalset (uid, participant_id, gate, arm, cuff, device, posture,
                   symptoms, problems, verdict, taken_at, recorded_at, reason, before, entry, rhythm)
                   VALUES (gen_random_uuid(), %s, 'screening', 'left', '', '', '', '[]', '[]', 'pass',
                   %s, %s, '', '[]', '', '')""",
            [volunteer.pk, clock.now() - timedelta(hours=3), clock.now()],
        )


def test_a_value_outside_excludes_only_on_repeat(
    volunteer: Any, cora: Any, edda: Any, milo: Any
) -> None:
    people.answer(volunteer, cora)
    first = people.measure(volunteer, edda, readings=people.readings(people.same(88)))
    assert first.verdict == "repeat"
    made = newest_assessment(volunteer, "screening")
    assert made is not None
    assert made.outcome == Assessment.Outcome.CANNOT_DECIDE  # the study asks for an ECG then
    assert [gap["rule_id"] for gap in made.missing] == ["K-ecg"]
    recorded = checks.check(volunteer, edda, "ecg")
    made = newest_assessment(volunteer, "screening")
    assert made is not None
    assert made.missing[0]["who"] == "clinician"  # recorded is not read
    with pytest.raises(NotAllowed):
        ecg_read(check=recorded, conclusion="normal", note="", actor=edda)
    ecg_read(check=recorded, conclusion="normal", note="", actor=milo)
    made = newest_assessment(volunteer, "screening")
    assert made is not None
    assert made.outcome == Assessment.Outcome.PHYSICIAN
    with clock.travel(people.NOW + timedelta(days=1)):
        second = people.measure(volunteer, edda, readings=people.readings(people.same(88)))
    assert (second.verdict, second.repeat_of) == ("exclude", first)
    made = newest_assessment(volunteer, "screening")
    assert made is not None
    # The values are the same as the day before: that they came again is what counts.
    assert made.outcome == Assessment.Outcome.EXCLUDE


@pytest.mark.shows("A-02", "A-09")
def test_a_correction_keeps_the_earlier_set(volunteer: Any, edda: Any, milo: Any) -> None:
    wrong = people.measure(volunteer, edda)
    with pytest.raises(Refused, match="Say why"):
        people.measure(volunteer, edda, supersedes=wrong)
    right = people.measure(volunteer, milo, supersedes=wrong, reason="Arm was wrong.", arm="right")
    assert newest_vitals(volunteer, "screening") == right
    wrong.refresh_from_db()
    assert wrong.arm == "left"
    with pytest.raises(Conflict):
        people.measure(volunteer, edda, supersedes=wrong, reason="Again.")


def test_stored_sets_stay_as_they_are(volunteer: Any, edda: Any) -> None:
    people.measure(volunteer, edda)
    for statement in (
        "UPDATE screening_vitalset SET systolic = 120",
        "DELETE FROM screening_vitalreading",
        "UPDATE screening_vitalreading SET pulse = 60",
        "TRUNCATE screening_vitalreading",
    ):
        with pytest.raises(Exception, match=r"Cannot update or delete|cannot be emptied"):
            people.sql(statement)
    assert VitalReading.objects.count() == 3


def test_who_may_record_readings(volunteer: Any, cora: Any, monitor: Any, actor_of: Any) -> None:
    for actor in (cora, actor_of(monitor)):
        with pytest.raises(NotAllowed):
            people.measure(volunteer, actor)


def test_another_study_reaches_nobody_here(volunteer: Any, outsider: Any) -> None:
    from studylab.studies.models import Study
    from tests.cast import actor_of

    elsewhere = actor_of(outsider, Study.objects.get(slug="other-study"))
    with pytest.raises(NotAllowed):
        people.measure(volunteer, elsewhere)
