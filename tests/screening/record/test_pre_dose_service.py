"""Sets before the dose: the one repeat, holds, and what the gate is told."""

from datetime import timedelta
from typing import Any

import pytest

from screening.models import VitalSet
from screening.selectors import pre_dose_fact
from studylab import clock
from studylab.errors import Refused
from studylab.participants.models import Hold
from tests.screening.record import people

pytestmark = [pytest.mark.django_db, pytest.mark.database]


class TestBeforeTheDose:
    """Rest ten minutes and repeat the whole set once; still outside holds."""

    @pytest.fixture
    def visit(self, volunteer: Any) -> Any:
        return people.book_visit(volunteer)

    def take(self, volunteer: Any, actor: Any, visit: Any, values: Any, **changes: Any) -> VitalSet:
        return people.measure(
            volunteer,
            actor,
            gate="pre_dose",
            visit_uid=visit,
            readings=people.readings(values),
            **changes,
        )

    def test_a_first_set_outside_asks_for_one_repeat(
        self, volunteer: Any, edda: Any, visit: Any
    ) -> None:
        assert self.take(volunteer, edda, visit, people.same(97)).verdict == "repeat"
        assert not Hold.objects.exists()
        with clock.travel(people.NOW + timedelta(minutes=9)):
            early = self.take(volunteer, edda, visit, people.same(112))
        assert early.verdict == ""
        assert [problem["code"] for problem in early.problems] == ["repeat_early"]

    def test_a_repeat_after_the_rest_may_pass(self, volunteer: Any, edda: Any, visit: Any) -> None:
        self.take(volunteer, edda, visit, people.same(97))
        with clock.travel(people.NOW + timedelta(minutes=12)):
            assert self.take(volunteer, edda, visit, people.same(112)).verdict == "pass"
        assert not Hold.objects.exists()

    def test_still_outside_holds(self, volunteer: Any, edda: Any, visit: Any) -> None:
        self.take(volunteer, edda, visit, people.same(97))
        with clock.travel(people.NOW + timedelta(minutes=12)):
            second = self.take(volunteer, edda, visit, people.same(98))
        hold = Hold.objects.get()
        assert (second.verdict, hold.kind, hold.vital_set_uid) == ("hold", "vitals", second.uid)
        assert "98 mmHg (passes from 100" in hold.reason

    def test_a_stop_value_holds_at_once(self, volunteer: Any, edda: Any, visit: Any) -> None:
        stored = self.take(volunteer, edda, visit, people.same(112, pulse=49))
        assert stored.verdict == "hold"
        assert Hold.objects.get().vital_set_uid == stored.uid

    def test_a_second_visit_on_hold_excludes(self, volunteer: Any, edda: Any, visit: Any) -> None:
        self.take(volunteer, edda, visit, people.same(112, pulse=49))
        other = people.book_visit(volunteer, number=3, start=people.NOW + timedelta(days=7))
        with clock.travel(people.NOW + timedelta(days=7)):
            assert (
                self.take(volunteer, edda, other, people.same(112, pulse=49)).verdict == "exclude"
            )

    def test_wheeze_holds_whatever_the_readings(
        self, volunteer: Any, edda: Any, visit: Any
    ) -> None:
        stored = self.take(volunteer, edda, visit, people.PASS, symptoms=["wheeze"])
        assert (stored.verdict, Hold.objects.get().kind) == ("hold", "symptom")

    def test_the_gate_is_told_where_each_value_lies(
        self, volunteer: Any, edda: Any, visit: Any
    ) -> None:
        assert pre_dose_fact(volunteer, visit, clock.now()) is None
        self.take(volunteer, edda, visit, ((118, 76, 70), (99, 62, 45), (99, 64, 46)))
        fact = pre_dose_fact(volunteer, visit, clock.now())
        assert fact is not None
        assert fact.outcomes is not None
        assert {o.measure: o.outcome for o in fact.outcomes} == {
            "systolic": "review", "diastolic": "pass", "pulse": "outside",
        }  # fmt: skip
        assert (fact.taken_at, fact.released) == (clock.now(), False)

    def test_readings_belong_to_a_visit_of_the_person(
        self, volunteer: Any, study: Any, cora: Any, edda: Any, visit: Any
    ) -> None:
        other = people.add_volunteer(study, cora)
        people.consent(other, cora)
        with pytest.raises(Refused, match="not one of the volunteer"):
            self.take(other, edda, visit, people.PASS)
        with pytest.raises(Refused, match="belong to a visit"):
            self.take(other, edda, None, people.PASS)
