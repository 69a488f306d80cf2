"""How a set was taken, further sets, and the checks beside it: what counts and what stays in sight.

Field cases: readings of another arm or sitting, sets taken until one fits, results recorded and never read.
"""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from django.db import IntegrityError

from screening.models import Check, VitalSet
from screening.rules.taking import BothArms
from screening.selectors import check_facts, decision_of, newest_assessment, pre_dose_fact
from screening.services import ecg_read, timing_start
from screening.services.check_records import Where
from screening.services.readings import HowTaken
from studylab import clock
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.participants.models import Hold
from studylab.studies.selectors import current_protocol
from tests.screening.record import checks, people

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def codes(vital_set: VitalSet) -> list[str]:
    return [problem["code"] for problem in vital_set.problems]


def outcome(participant: Any) -> str:
    made = newest_assessment(participant, "screening")
    assert made is not None
    return made.outcome


def test_both_arms_come_first_and_the_higher_one_is_remembered(volunteer: Any, edda: Any) -> None:
    never = people.measure(volunteer, edda, how=HowTaken(rhythm="regular"))
    assert (never.systolic, never.verdict, codes(never)) == (None, "", ["arms_unknown"])
    first = people.measure(volunteer, edda, how=replace(checks.HOW, both_arms=BothArms(112, 70, 118, 72)), arm="right")  # fmt: skip
    assert first.verdict == "pass"
    other = people.measure(volunteer, edda, how=HowTaken(rhythm="regular"), arm="left")
    assert (other.verdict, codes(other)) == ("", ["other_arm"])
    assert (
        people.measure(volunteer, edda, how=HowTaken(rhythm="regular"), arm="right").systolic == 111
    )


def test_arms_far_apart_and_an_irregular_pulse_go_to_the_physician(
    volunteer: Any, cora: Any, edda: Any, milo: Any
) -> None:
    people.answer(volunteer, cora)
    apart = replace(checks.HOW, both_arms=BothArms(140, 80, 120, 78))
    assert people.measure(volunteer, edda, how=apart).verdict == "physician"
    ecg = checks.check(volunteer, edda, "ecg")
    ecg_read(check=ecg, conclusion="normal", note="", actor=milo)
    assert outcome(volunteer) == "physician"
    irregular = replace(checks.HOW, rhythm="irregular", counted_pulse=66)
    stored = people.measure(volunteer, edda, how=irregular)
    assert (stored.verdict, stored.pulse) == ("physician", 66)
    assert decision_of(stored).used == (2, 3)  # type: ignore[union-attr]


def test_a_later_pass_does_not_clear_an_earlier_failure(
    volunteer: Any, cora: Any, edda: Any, milo: Any
) -> None:
    people.answer(volunteer, cora)
    people.measure(volunteer, edda, readings=people.readings(people.same(97)))
    with pytest.raises(Refused, match="Say why another one"):
        people.measure(volunteer, edda, reason="")
    with clock.travel(people.NOW + timedelta(days=1)):
        later = people.measure(volunteer, edda, reason="On another day, as asked.")
        ecg = checks.check(volunteer, edda, "ecg")
        ecg_read(check=ecg, conclusion="normal", note="", actor=milo)
    assert later.verdict == "physician"
    assert outcome(volunteer) == "physician"
    assert VitalSet.objects.filter(participant=volunteer).count() == 2


def test_who_measured_is_kept_apart_from_who_typed(
    volunteer: Any, edda: Any, milo: Any, outsider: Any
) -> None:
    how = replace(
        checks.HOW, measured_by=milo.user_id, entry="device", timed=("clock", "hand", "clock")
    )
    stored = people.measure(volunteer, edda, how=how)
    assert (stored.measured_by_id, stored.recorded_by_id, stored.entry) == (
        milo.user_id, edda.user_id, "device",
    )  # fmt: skip
    assert [reading.timed for reading in stored.readings.all()] == ["clock", "hand", "clock"]
    with pytest.raises(Refused, match="does not measure in this study"):
        people.measure(volunteer, edda, how=replace(checks.HOW, measured_by=outsider.pk))


def test_f16_another_body_asks_whether_it_is_the_same_person(volunteer: Any, edda: Any) -> None:
    """Girth of the right arm 27, then 33 cm: a clinician answers before a dose."""

    def measured(girth: float, **more: Any) -> list[str]:
        people.measure(volunteer, edda, how=replace(checks.HOW, girth_cm=girth), **more)
        return list(Hold.objects.values_list("reason", flat=True))

    assert measured(27) == []
    assert measured(30, reason="again") == []  # 3 cm lie within careful measuring
    (asked,) = measured(33.5, reason="again")
    assert "30 cm before and is 33.5 cm now. Is this the same person?" in asked


def test_f16_another_height_asks_too(volunteer: Any, cora: Any) -> None:
    first = people.answer(volunteer, cora, height_cm=168.0)
    second = people.answer(volunteer, cora, height_cm=172.0, supersedes=first, reason="Measured.")
    assert not Hold.objects.exists()
    people.answer(volunteer, cora, height_cm=177.0, supersedes=second, reason="Measured again.")
    assert "172 cm before and is 177 cm now" in Hold.objects.get().reason


def test_a_rest_belongs_to_one_person_and_check(
    volunteer: Any, study: Any, cora: Any, edda: Any
) -> None:
    other = people.add_volunteer(study, cora)
    people.consent(other, cora)
    rest = timing_start(participant=other, kind="rest", where=Where("screening"), actor=edda)
    with pytest.raises(Refused, match="timed for something else"):
        people.measure(volunteer, edda, how=replace(checks.HOW, rest=rest))


class TestBeforeTheDose:
    @pytest.fixture
    def visit(self, volunteer: Any) -> Any:
        return people.book_visit(volunteer)

    def take(self, volunteer: Any, actor: Any, visit: Any, values: Any, **changes: Any) -> VitalSet:
        return people.measure(
            volunteer, actor, gate="pre_dose", visit_uid=visit, readings=people.readings(values), **changes
        )  # fmt: skip

    def test_after_a_stop_value_no_later_set_opens_the_gate(
        self, volunteer: Any, edda: Any, visit: Any
    ) -> None:
        self.take(volunteer, edda, visit, people.same(112, pulse=49))
        with clock.travel(people.NOW + timedelta(minutes=30)):
            fine = self.take(volunteer, edda, visit, people.PASS)
            fact = pre_dose_fact(volunteer, visit, clock.now())
        assert (fine.systolic, fine.verdict) == (111, "hold")
        assert fact is not None
        assert [o.outcome for o in fact.outcomes or ()] == ["pass", "pass", "pass", "outside"]
        assert Hold.objects.count() == 1

    def test_a_botched_repeat_is_no_new_first_set(
        self, volunteer: Any, edda: Any, visit: Any
    ) -> None:
        self.take(volunteer, edda, visit, people.same(97))
        with clock.travel(people.NOW + timedelta(minutes=5)):
            assert codes(self.take(volunteer, edda, visit, people.same(97))) == ["repeat_early"]
        with clock.travel(people.NOW + timedelta(minutes=16)):
            assert self.take(volunteer, edda, visit, people.same(97)).verdict == "hold"

    def test_every_check_that_the_study_asks_for_is_a_fact_of_the_gate(
        self, volunteer: Any, cora: Any, edda: Any, visit: Any
    ) -> None:
        limits = current_protocol(volunteer.study).plan.limits
        people.answer(
            volunteer, cora, answers=people.quiet_answers(volunteer, C_32a="yes", C_32b="yes")
        )

        def facts() -> dict[str, str | None]:
            found = check_facts(volunteer, "pre_dose", visit, limits)
            return {fact.kind: fact.outcome for fact in found}

        assert facts() == dict.fromkeys(("breath_alcohol", "last_meal", "pregnancy_test"))
        late = {"eaten_at": people.NOW - timedelta(hours=13)}
        checks.check(volunteer, edda, "last_meal", "pre_dose", visit, values=late)
        assert not Hold.objects.exists()  # eat, then enter it again
        checks.check(volunteer, edda, "last_meal", "pre_dose", visit, reason="Has eaten now.")
        checks.check(volunteer, edda, "breath_alcohol", "pre_dose", visit, values={"value": 0.05})
        checks.check(
            volunteer, edda, "breath_alcohol", "pre_dose", visit, reason="Waited half an hour."
        )
        checks.check(
            volunteer, edda, "pregnancy_test", "pre_dose", visit, values={"result": "invalid"}
        )
        assert facts() == {
            "breath_alcohol": "hold", "last_meal": "pass", "pregnancy_test": "undecided",
        }  # fmt: skip
        assert "0.05 mg/L" in Hold.objects.get().reason

    def test_no_pregnancy_test_where_it_does_not_apply(
        self, volunteer: Any, cora: Any, visit: Any
    ) -> None:
        limits = current_protocol(volunteer.study).plan.limits
        people.answer(volunteer, cora)  # could not become pregnant
        asked = {fact.kind for fact in check_facts(volunteer, "pre_dose", visit, limits)}
        assert asked == {"breath_alcohol", "last_meal"}


def test_a_positive_test_stays_whatever_comes_after(volunteer: Any, cora: Any, edda: Any) -> None:
    people.answer(
        volunteer, cora, answers=people.quiet_answers(volunteer, C_32a="yes", C_32b="yes")
    )
    people.measure(volunteer, edda)
    assert outcome(volunteer) == "cannot_decide"
    wrong = checks.check(volunteer, edda, "pregnancy_test", values={"result": "positive"})
    with pytest.raises(Refused, match="Say why it is done again"):
        checks.check(volunteer, edda, "pregnancy_test")
    again = checks.check(volunteer, edda, "pregnancy_test", reason="Another batch.")
    assert outcome(volunteer) == "exclude"
    with pytest.raises(Conflict, match="newest one"):
        checks.check(volunteer, edda, "pregnancy_test", supersedes=wrong, reason="Misread.")
    assert Check.objects.filter(kind="pregnancy_test").count() == 2
    assert again.outcome == "pass"


def test_an_ecg_is_read_once_and_by_a_clinician(volunteer: Any, edda: Any, milo: Any) -> None:
    ecg = checks.check(
        volunteer, edda, "ecg", values={"pr": 210, "note": "Normal, says the device."}
    )
    with pytest.raises(NotAllowed):
        ecg_read(check=ecg, conclusion="normal", note="", actor=edda)
    with pytest.raises(Refused, match="Say what the ECG shows"):
        ecg_read(check=ecg, conclusion="to_weigh", note=" ", actor=milo)
    ecg_read(check=ecg, conclusion="to_weigh", note="PR at the limit.", actor=milo)
    with pytest.raises(Conflict, match="read by somebody else"):
        ecg_read(check=ecg, conclusion="normal", note="", actor=milo)


@pytest.mark.parametrize(
    ("kind", "values", "field"),
    [
        ("breath_alcohol", {"value": 12.0}, "value"),
        ("breath_alcohol", {"value": None}, "value"),
        ("last_meal", {"eaten_at": None}, "eaten_at"),
        ("last_meal", {"eaten_at": people.NOW + timedelta(minutes=1)}, "eaten_at"),
        ("pregnancy_test", {"result": "maybe"}, "result"),
        ("ecg", {"pr": 16}, "pr"),
        ("standing_test", {"one_systolic": 12, "one_diastolic": 8}, "one_systolic"),
        ("standing_test", {"three_systolic": None, "three_diastolic": None}, "three_systolic"),
        ("standing_test", {"symptoms": None}, "symptoms"),
    ],
)
def test_what_cannot_be_is_refused_at_its_field(
    volunteer: Any, edda: Any, kind: str, values: dict[str, Any], field: str
) -> None:
    with pytest.raises(Refused) as refusal:
        checks.check(volunteer, edda, kind, values=values)
    assert refusal.value.field == field
    assert not Check.objects.exists()


def test_checks_stay_and_come_after_consent(volunteer: Any, edda: Any) -> None:
    checks.check(volunteer, edda, "breath_alcohol")
    for statement in ("UPDATE screening_check SET outcome = 'pass'", "DELETE FROM screening_check"):
        with pytest.raises(Exception, match="Cannot update or delete"):
            people.sql(statement)
    with pytest.raises(IntegrityError, match="no consent"):
        people.sql("INSERT INTO screening_timing (uid, participant_id, kind, gate, at)"
                   " VALUES (gen_random_uuid(), %s, 'rest', 'screening', %s)",
                   [volunteer.pk, clock.now() - timedelta(hours=3)])  # fmt: skip
