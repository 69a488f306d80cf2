"""Presence now and not on paper, leaving against advice, who may work on a run sheet, and sensor sets."""

from datetime import timedelta
from uuid import uuid4

import pytest

from scheduling.models import Staying
from scheduling.rules.things import Thing
from scheduling.selectors.calls import calls_due, found_by
from scheduling.selectors.sheet import sheet_of
from scheduling.selectors.things import things_now
from scheduling.selectors.today import today_of
from scheduling.services.cover import cover_check_out, cover_confirm
from scheduling.services.leave import leave_against_advice
from scheduling.services.lookup import person_look_up
from scheduling.services.presence import rescue_check_record, staying_record
from scheduling.services.steps import step_record
from screening.models import VitalSet
from screening.rules.vitals import Reading
from screening.services import vitals_record
from screening.services.staff import staff_decide
from studylab.access import Role
from studylab.allocation.services import guess_record
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused, RefusedWithReasons
from studylab.participants.selectors import birth_date
from studylab.studies.selectors import current_protocol
from tests import cast
from tests.scheduling.sheet.breaks import open_code
from tests.scheduling.sheet.builder import Case
from tests.scheduling.sheet.values import SEEN

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def test_the_physician_leaves_only_when_another_one_is_there_and_is_told_whom_to_ask(
    dosed: Case,
) -> None:
    dosed.users["third"] = cast.make_user("Ines Halloran")
    cast.join(dosed.users["third"], dosed.study, Role.CLINICIAN)
    with pytest.raises(RefusedWithReasons, match="Ask Ines Halloran") as refused:
        dosed.act(cover_check_out, "clinician")
    assert dosed.participant.code in refused.value.reasons[0]


def test_saying_still_here_counts_from_then_on(ready: Case) -> None:
    ready.forward(50)
    presence = ready.act(cover_confirm, "clinician")
    assert presence.said_at == ready.t
    ready.users["third"] = cast.make_user("Ines Halloran")
    cast.join(ready.users["third"], ready.study, Role.CLINICIAN)
    with pytest.raises(Conflict, match="not checked in"):
        ready.act(cover_confirm, "third")


def test_an_incomplete_kit_says_what_is_wrong(booked: Case) -> None:
    with pytest.raises(Refused) as refused:
        booked.act(rescue_check_record, complete=False, note=" ")
    assert refused.value.field == "note"


def test_nobody_with_a_dosed_volunteer_is_seen_on_today_and_a_colleague_takes_over(
    dosed: Case,
) -> None:
    def stay() -> tuple[str, bool]:
        with dosed.now():
            (row,) = today_of(dosed.study, dosed.t.date(), at=dosed.t)
        assert row.stay is not None
        return row.stay.name, row.stay.missed

    first = dosed.users["experimenter"].name
    assert stay() == (first, False)
    dosed.forward(16)
    assert stay() == (first, True)
    act = uuid4()
    for _ in range(2):  # sent twice, it is one handover
        dosed.act(staying_record, "second", visit=dosed.visit(2), client_id=act)
    assert stay() == (dosed.users["second"].name, False)
    assert Staying.objects.count() == 2
    dosed.step(2, "settled", {"done": True})  # whoever records a step is there
    dosed.forward(15)
    assert stay()[1] is False


def test_who_walks_out_is_called_until_24_hours_after_the_dose(dosed: Case) -> None:
    dosed.forward(70)
    dosed.act(leave_against_advice, visit=dosed.visit(2), reason="Had to catch a bus. Card given.")
    (row,) = calls_due(dosed.study, dosed.t)
    assert (row.code, row.call.number, row.call.of, row.call.state) == (
        dosed.participant.code, 1, 6, "later",
    )  # fmt: skip
    dosed.contact(2.2, reached=False, symptoms=None, answers={})
    assert calls_due(dosed.study, dosed.t)[0].call.number == 1  # not reached is not called
    dosed.contact(2.3)
    assert calls_due(dosed.study, dosed.t)[0].call.number == 2
    dosed.contact(24)
    assert calls_due(dosed.study, dosed.t) == []


def test_a_caller_who_knows_only_a_code_or_a_birth_date_is_answered(dosed: Case) -> None:
    born = birth_date(dosed.participant)
    for asked in (
        {"code": dosed.participant.code.lower(), "born": None},
        {"code": "", "born": born},
    ):
        (one,) = dosed.act(person_look_up, "coordinator", study=dosed.study, **asked)
        assert (one.code, one.visit, one.dosed_at) == (
            dosed.participant.code, dosed.visit(2), dosed.dose.given_at,
        )  # fmt: skip
    assert found_by(dosed.study, code="ZZ-9999", born=None) == []
    lines = Event.objects.filter(action="volunteer.looked_up")
    assert [line.data["by"] for line in lines.order_by("id")] == ["code", "birth date"]
    assert str(born) not in str([line.data for line in lines])


def set_of(case: Case, role: str, gate: str) -> VitalSet:
    readings = [Reading(118.0, 74.0, 64.0, at=case.t)]
    made: VitalSet = case.act(
        vitals_record, role, participant=case.participant, gate=gate, visit_uid=case.visit(1).uid,
        rest_seconds=300, arm="left", cuff="adult", device="Monitor 1", readings=readings, symptoms=[],
        reason="again",
    )  # fmt: skip
    return made


def test_who_may_know_the_arm_is_refused_in_the_words_of_any_other_relation(first: Case) -> None:
    """Field case F-50: run sheet, readings and guesses; the words tell nothing."""
    first.act(
        staff_decide, "lead", participant=first.participant, user=first.users["second"],
        kept_away=True, reason="A cousin.",
    )  # fmt: skip
    open_code(first)
    said = set()
    for role in ("second", "clinician"):
        with pytest.raises(NotAllowed) as refused:
            first.act(
                step_record, role, visit=first.visit(1), step_key="identity", value=SEEN,
                occurred_at=first.t, client_id=uuid4(),
            )  # fmt: skip
        said.add(refused.value.message)
    assert len(said) == 1
    for role in ("second", "clinician"):
        with pytest.raises(Refused) as measuring:
            set_of(first, role, "pre_dose")
        said.add(measuring.value.message)
        assert set_of(first, role, "leave").recorded_by == first.users[role]  # that is care
    with pytest.raises(Refused) as guessing:
        first.act(
            guess_record, "clinician", participant=first.participant, teller="volunteer",
            arm_place=1, sure=50, why="",
        )  # fmt: skip
    assert said == {guessing.value.message}
    assert not {"code", "arm", "opened"} & set(said.pop().casefold().split())
    assert first.step(1, "identity", SEEN)


def test_a_set_that_is_not_clean_needs_a_reason(first: Case) -> None:
    protocol = current_protocol(first.study).plan

    def state() -> Thing:
        return next(
            one for one in things_now(first.study, protocol, first.t) if one.name == "Set A"
        )

    first.fill(1, until="sensor_set")
    first.step(1, "sensor_set", {"value": "set a"})
    assert (state().state, state().code) == ("in use", first.participant.code)
    first.forward(1)
    first.fill(1)
    first.finish(1)
    assert state().state == "drying"
    other = first.visit(3)
    first.t = first.t + timedelta(minutes=10)
    with first.now():
        sheet = sheet_of(other, first.t)
    assert sheet.plan.step("sensor_set").of == "sensor set"
    first.forward(60)
    assert state().state == "clean"
