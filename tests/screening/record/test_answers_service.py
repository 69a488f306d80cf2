"""Recording answers."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.db import IntegrityError

from screening.models import AnswerSet, Assessment
from screening.selectors import newest_answers, newest_assessment, questions_fact
from studylab import clock
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.participants.models import Hold
from tests.screening.record import people

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def test_answers_are_kept_and_assessed(volunteer: Any, cora: Any) -> None:
    people.answer(volunteer, cora)
    stored = newest_answers(volunteer, "screening")
    assessment = newest_assessment(volunteer, "screening")
    assert stored is not None
    assert stored.age_years == 26  # born 17 May 1999, asked on 4 March 2026
    assert assessment is not None
    # Nothing was measured yet, so nothing can be decided.
    assert assessment.outcome == Assessment.Outcome.CANNOT_DECIDE
    assert {gap["rule_id"] for gap in assessment.missing} == {
        "V-systolic",
        "V-diastolic",
        "V-pulse",
        "K-standing_test",
    }
    assert (
        Event.objects.filter(action="answers.recorded", participant_code=volunteer.code).count()
        == 1
    )


@pytest.mark.parametrize(
    ("born", "age"), [(date(1999, 3, 4), 27), (date(1999, 3, 5), 26), (date(2000, 2, 29), 26)]
)
def test_the_age_counts_completed_years_on_the_local_day(
    at_ten: None, study: Any, cora: Any, born: date, age: int
) -> None:
    participant = people.add_volunteer(study, cora, birth_date=born)
    assert people.answer(participant, cora).age_years == age


def test_no_answers_before_the_agreement(volunteer: Any, cora: Any) -> None:
    with pytest.raises(Refused, match="no consent that was given before"):
        people.answer(volunteer, cora, given_at=clock.now() - timedelta(hours=2))
    assert newest_answers(volunteer, "screening") is None


def test_the_database_itself_refuses_answers_before_the_agreement(volunteer: Any) -> None:
    with pytest.raises(IntegrityError, match="no consent"):
        people.sql(
            """INSERT INTO screening_answerset (uid, participant_id, "when", answers, medicines,
                   no_medicines, source, given_at, recorded_at, reason)
                   VALUES (gen_random_uuid(), %s, 'screening', '{}', '[]', true, 'staff', %s, %s, '')""",
            [volunteer.pk, clock.now() - timedelta(hours=2), clock.now()],
        )


def test_answers_are_not_given_in_the_future(volunteer: Any, cora: Any) -> None:
    with pytest.raises(Refused, match="later than now"):
        people.answer(volunteer, cora, given_at=clock.now() + timedelta(minutes=1))


def test_a_change_needs_the_set_it_changes_and_a_reason(volunteer: Any, cora: Any) -> None:
    first = people.answer(volunteer, cora)
    with pytest.raises(Conflict, match="on record already"):
        people.answer(volunteer, cora)
    with pytest.raises(Refused, match="Say why"):
        people.answer(volunteer, cora, supersedes=first, reason="  ")
    second = people.answer(volunteer, cora, supersedes=first, reason="Weight read again.")
    with pytest.raises(Conflict, match="somebody else"):
        people.answer(volunteer, cora, supersedes=first, reason="Too late.")
    assert newest_answers(volunteer, "screening") == second
    assert AnswerSet.objects.filter(participant=volunteer).count() == 2


def test_stored_answers_stay_as_they_are(volunteer: Any, cora: Any) -> None:
    stored = people.answer(volunteer, cora)
    for statement in (
        "UPDATE screening_answerset SET answers = '{}'",
        "DELETE FROM screening_answerset",
    ):
        with pytest.raises(Exception, match="Cannot update or delete"):
            people.sql(statement)
    stored.refresh_from_db()
    assert stored.answers


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"answers": {"C-01": {"value": "maybe"}}}, "yes, no or not sure"),
        ({"answers": {"C-38a": {"value": "five"}}}, "a number from"),
        ({"answers": {"C-38a": {"value": float("nan")}}}, "a number from"),
        ({"answers": {"C-38a": {"value": -1}}}, "a number from"),
        ({"answers": {"X-99": {"value": "yes"}}}, "no question X-99"),
        ({"height_cm": 1.72}, "Height must be from 100 to 250 cm"),
        ({"weight_kg": 685.0}, "Weight must be from"),
        ({"medicines": [{"name": " "}], "no_medicines": False}, "no name"),
        ({"medicines": [{"name": "x", "atc": "N02"}], "no_medicines": False}, "full ATC code"),
        (
            {"medicines": [{"name": "x", "route": "by owl"}], "no_medicines": False},
            "ways of taking",
        ),
        (
            {
                "medicines": [{"name": "x", "last_taken": people.NOW + timedelta(1)}],
                "no_medicines": False,
            },
            "later than now",
        ),
        ({"medicines": [{"name": "x"}], "no_medicines": True}, "takes no medicines"),
    ],
)
def test_nonsense_is_refused_with_the_fix(
    volunteer: Any, cora: Any, changes: dict[str, Any], message: str
) -> None:
    with pytest.raises(Refused, match=message):
        people.answer(volunteer, cora, **changes)
    assert not AnswerSet.objects.exists()


def test_what_is_left_out_is_never_a_pass(volunteer: Any, cora: Any, milo: Any) -> None:
    people.measure(volunteer, milo)
    people.answer(volunteer, cora, answers=quiet_but(volunteer, C_02=None))
    assessment = newest_assessment(volunteer, "screening")
    assert assessment is not None
    assert assessment.outcome == Assessment.Outcome.CANNOT_DECIDE
    assert [gap["rule_id"] for gap in assessment.missing] == ["C-02"]


def quiet_but(participant: Any, **changed: Any) -> dict[str, Any]:
    """Return quiet answers apart from `changed`."""
    return people.quiet_answers(participant, **changed)


def test_an_unknown_medicine_goes_to_the_physician_in_the_volunteers_words(
    volunteer: Any, cora: Any, milo: Any
) -> None:
    people.measure(volunteer, milo)
    people.answer(
        volunteer, cora, no_medicines=False,
        medicines=[{"name": "Granny's blue drops", "dose": "ten", "route": "oral", "prescribed": False}],
    )  # fmt: skip
    assessment = newest_assessment(volunteer, "screening")
    assert assessment is not None
    assert assessment.outcome == Assessment.Outcome.PHYSICIAN
    assert [f["said"] for f in assessment.findings if f["rule_id"] == "M-unknown"] == [
        "Granny's blue drops, ten, oral"
    ]


def test_an_answer_taken_back_goes_to_the_physician(volunteer: Any, cora: Any, milo: Any) -> None:
    people.measure(volunteer, milo)
    first = people.answer(volunteer, cora, answers=quiet_but(volunteer, C_01="yes"))
    made = newest_assessment(volunteer, "screening")
    assert made is not None
    assert made.outcome == Assessment.Outcome.EXCLUDE
    people.answer(volunteer, cora, supersedes=first, reason="Meant hay fever.")
    made = newest_assessment(volunteer, "screening")
    assert made is not None
    assert made.outcome == Assessment.Outcome.PHYSICIAN
    assert [f["rule_id"] for f in made.findings] == ["changed-C-01"]
    assert made.findings[0]["said"].startswith("first yes, now no: Have you ever had asthma")


def test_a_new_assessment_only_when_something_changed(volunteer: Any, cora: Any) -> None:
    first = people.answer(volunteer, cora)
    second = people.answer(volunteer, cora, supersedes=first, reason="Asked again, nothing new.")
    assert Assessment.objects.count() == 1
    people.answer(volunteer, cora, supersedes=second, reason="Weighed again.", weight_kg=69.0)
    assert Assessment.objects.count() == 2


def test_questions_of_the_day_hold_what_they_flag(volunteer: Any, cora: Any) -> None:
    people.answer(volunteer, cora)
    visit = people.book_visit(volunteer)
    quiet = people.quiet_answers(volunteer, "dosing_day")
    people.answer(volunteer, cora, when="dosing_day", visit_uid=visit, answers=quiet, **NO_BODY)
    made = newest_assessment(volunteer, "dosing_day", visit)
    assert made is not None
    assert made.outcome == Assessment.Outcome.CLEAR, (made.missing, made.findings)
    assert not Hold.objects.exists()
    standing = newest_answers(volunteer, "dosing_day", visit)
    people.answer(
        volunteer, cora, when="dosing_day", visit_uid=visit, supersedes=standing,
        reason="Said so on being asked again.",
        answers=people.quiet_answers(volunteer, "dosing_day", D_02="yes"), **NO_BODY,
    )  # fmt: skip
    hold = Hold.objects.get()
    assert hold.kind == Hold.Kind.ANSWERS
    assert "acute illness" in hold.reason


NO_BODY = {"height_cm": None, "weight_kg": None}


def test_questions_of_the_day_need_a_visit_of_the_person(
    volunteer: Any, study: Any, cora: Any
) -> None:
    other = people.add_volunteer(study, cora)
    people.consent(other, cora)
    visit = people.book_visit(other)
    with pytest.raises(Refused, match="belong to a visit"):
        people.answer(volunteer, cora, when="dosing_day", answers={})
    with pytest.raises(Refused, match="not one of the volunteer"):
        people.answer(volunteer, cora, when="dosing_day", visit_uid=visit, answers={})


def test_who_may_record(volunteer: Any, monitor: Any, pharmacist: Any, actor_of: Any) -> None:
    for user in (monitor, pharmacist):
        with pytest.raises(NotAllowed):
            people.answer(volunteer, actor_of(user))


def test_nothing_is_added_once_somebody_left(volunteer: Any, cora: Any) -> None:
    from studylab.participants.services import participant_withdraw

    participant_withdraw(participant=volunteer, reason="Moves away.", actor=cora)
    with pytest.raises(Refused, match="withdrawn"):
        people.answer(volunteer, cora)


def test_what_is_asked_ahead_of_the_visit_holds_but_never_stands_for_the_day(
    volunteer: Any, cora: Any
) -> None:
    people.answer(volunteer, cora)
    visit = people.book_visit(volunteer, start=people.NOW + timedelta(days=1))
    asked = {
        "when": AnswerSet.When.AHEAD, "visit_uid": visit, "height_cm": None, "weight_kg": None,
    }  # fmt: skip
    quiet = people.quiet_answers(volunteer, "ahead")
    assert {"D-01", "D-02", "D-08", "D-10", "D-11", "D-12", "C-30"} <= set(quiet)
    assert not {"C-22a", "C-38c", "D-05a"} & set(quiet)  # hours before the dose: asked on the day
    ill = quiet | {"D-02": {"value": "yes", "detail": "a cold"}}
    people.answer(volunteer, cora, answers=ill, **asked)
    made = newest_assessment(volunteer, "ahead", visit)
    assert made is not None
    assert made.outcome == "hold"
    assert volunteer.holds.get().reason == (
        "Answers before the visit: acute illness (yes: a cold)."
    )
    assert questions_fact(volunteer, visit) is None
    with clock.travel(people.NOW + timedelta(days=1)):
        people.answer(
            volunteer, cora, answers=people.quiet_answers(volunteer, "dosing_day"),
            **asked | {"when": AnswerSet.When.DOSING_DAY},
        )  # fmt: skip
        fact = questions_fact(volunteer, visit)
        assert fact is not None
        assert fact.outcome == "clear"  # well again is no answer taken back


def test_what_was_true_another_day_was_not_taken_back(volunteer: Any, cora: Any) -> None:
    people.answer(volunteer, cora)
    visit = people.book_visit(volunteer)
    asked = {
        "when": AnswerSet.When.DOSING_DAY, "visit_uid": visit, "height_cm": None, "weight_kg": None,
    }  # fmt: skip
    ill = people.quiet_answers(volunteer, "dosing_day", D_02="yes")
    first = people.answer(volunteer, cora, answers=ill, **asked)
    well = people.quiet_answers(volunteer, "dosing_day")
    again = {"answers": well, "reason": "Asked again.", **asked}
    second = people.answer(volunteer, cora, supersedes=first, **again)
    made = newest_assessment(volunteer, "dosing_day", visit)
    assert made is not None
    assert [finding["rule_id"] for finding in made.findings] == ["changed-D-02"]
    with clock.travel(people.NOW + timedelta(days=1)):
        people.answer(volunteer, cora, supersedes=second, **again)
        made = newest_assessment(volunteer, "dosing_day", visit)
        assert made is not None
        assert made.outcome == "clear"
