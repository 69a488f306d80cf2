"""Ends, holds and deviations through services and plain SQL."""

from datetime import datetime, timedelta
from typing import Any

import pytest
from django.db import DatabaseError, IntegrityError, transaction

from studylab.access import Actor, system_actor
from studylab.audit.models import Event, RowChange
from studylab.errors import Conflict, NotAllowed, Refused, RefusedWithReasons
from studylab.participants import end_hooks
from studylab.participants.models import Deviation, Hold, Participant
from studylab.participants.selectors import closing_is_void, open_holds
from studylab.participants.services import (
    deviation_close,
    deviation_explain,
    deviation_found,
    deviation_record,
    hold_open,
    hold_release,
    participant_complete,
    participant_end,
    participant_lost,
    participant_screen_out,
    participant_withdraw,
)
from studylab.people.services.signatures import WrongPassword
from tests import cast
from tests.participants.people import assess, run_sql

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.fixture(autouse=True)
def own_registry(monkeypatch: pytest.MonkeyPatch) -> None:
    """No hooks but those of the test."""
    monkeypatch.setattr(end_hooks, "_registered", {})


@pytest.mark.parametrize(
    ("end", "status", "action"),
    [
        (participant_withdraw, "withdrawn", "volunteer.withdrawn"),
        (participant_screen_out, "screened_out", "volunteer.screened_out"),
        (participant_lost, "lost", "volunteer.lost"),
    ],
)
def test_an_end_has_status_reason_and_trail(
    ana: Participant, keeper: Actor, noon: datetime, end: Any, status: str, action: str
) -> None:
    """Once; the second time somebody was first."""
    end(participant=ana, reason=" no time ", actor=keeper)
    ana.refresh_from_db()
    assert (ana.status, ana.status_reason, ana.status_at) == (status, "no time", noon)
    assert Event.objects.get(action=action).reason == "no time"
    change = RowChange.objects.get(table_name="participants_participant")
    assert (change.old["status"], change.new["status"]) == ("active", status)
    with pytest.raises(Conflict, match="already"):
        end(participant=ana, reason="again", actor=keeper)


def test_hooks_run_inside_the_end(ana: Participant, keeper: Actor) -> None:
    """They see status and reason, and what they say they did is on the trail."""
    seen: list[tuple[str, str, str]] = []

    def carry_out(*, actor: Actor, participant: Participant, status: str, reason: str) -> list[str]:
        seen.append((participant.code, status, reason))
        return ["Two bookings cancelled."]

    end_hooks.register_end_hook("bookings", consequences=lambda _: [], carry_out=carry_out)
    assert participant_withdraw(participant=ana, reason="moved", actor=keeper) == [
        "Two bookings cancelled."
    ]
    assert seen == [(ana.code, "withdrawn", "moved")]
    assert Event.objects.get(action="volunteer.withdrawn").data == {
        "consequences": ["Two bookings cancelled."]
    }


def test_a_hook_that_fails_undoes_the_end(ana: Participant, keeper: Actor) -> None:
    """Nobody is withdrawn with a room still booked."""

    def carry_out(**_: Any) -> list[str]:
        raise Refused("A visit is under way.")

    end_hooks.register_end_hook("bookings", consequences=lambda _: [], carry_out=carry_out)
    with pytest.raises(Refused, match="under way"):
        participant_withdraw(participant=ana, reason="moved", actor=keeper)
    ana.refresh_from_db()
    assert ana.is_active
    assert not Event.objects.filter(action="volunteer.withdrawn").exists()


def test_an_end_needs_a_reason_and_a_known_status(ana: Participant, keeper: Actor) -> None:
    """By service at its field, by SQL through the constraint."""
    with pytest.raises(Refused) as refused:
        participant_withdraw(participant=ana, reason=" ", actor=keeper)
    assert refused.value.field == "reason"
    for status in ("completed", "active", "gone"):
        with pytest.raises(Refused) as refused:
            participant_end(participant=ana, status=status, reason="x", actor=keeper)
        assert refused.value.field == "status"
    with pytest.raises(IntegrityError, match="participant_end_has_reason"), transaction.atomic():
        Participant.objects.update(status="withdrawn")
    with pytest.raises(DatabaseError, match="Cannot delete"):
        run_sql("DELETE FROM participants_participant")


def test_completion(ana: Participant, keeper: Actor, experimenter: Any, actor_of: Any) -> None:
    """Whoever runs visits completes; a coordinator does not, and nobody twice."""
    with pytest.raises(NotAllowed):
        participant_complete(participant=ana, actor=keeper)
    participant_complete(participant=ana, actor=actor_of(experimenter))
    ana.refresh_from_db()
    assert ana.status == "completed"
    with pytest.raises(Refused, match="completed"):
        participant_complete(participant=ana, actor=actor_of(experimenter))


@pytest.mark.parametrize("who", ["experimenter", "pharmacist", "lead", "monitor"])
def test_roles_that_end_nothing(ana: Participant, who: str, request: Any, actor_of: Any) -> None:
    """The service refuses them."""
    with pytest.raises(NotAllowed):
        participant_withdraw(
            participant=ana, reason="x", actor=actor_of(request.getfixturevalue(who))
        )


@pytest.fixture
def hold(ana: Participant, keeper: Actor) -> Hold:
    """An open hold on Ana."""
    return hold_open(participant=ana, kind="symptom", reason="fainted on the stairs", actor=keeper)


def test_hold_is_opened_and_released_by_signature(
    hold: Hold, study: Any, clinician: Any, actor_of: Any, noon: datetime
) -> None:
    """Reason, time and signature stay; the signature stands under both reasons."""
    assert list(open_holds(study)) == [hold]
    doctor = actor_of(clinician)
    with pytest.raises(WrongPassword):
        hold_release(hold=hold, reason="seen, well", password="wrong", actor=doctor)
    with pytest.raises(Refused) as refused:
        hold_release(hold=hold, reason=" ", password=cast.PASSWORD, actor=doctor)
    assert refused.value.field == "reason"
    hold_release(hold=hold, reason="seen, well", password=cast.PASSWORD, actor=doctor)
    hold.refresh_from_db()
    assert (hold.released_at, hold.release_reason) == (noon, "seen, well")
    assert hold.release is not None
    assert hold.release.content["reason"] == "fainted on the stairs"
    assert hold.release.content["release_reason"] == "seen, well"
    assert list(open_holds(study)) == []
    with pytest.raises(Conflict, match="meanwhile"):
        hold_release(hold=hold, reason="again", password=cast.PASSWORD, actor=doctor)


@pytest.mark.parametrize("who", ["coordinator", "experimenter", "pharmacist", "lead", "monitor"])
def test_only_a_clinician_releases(hold: Hold, who: str, request: Any, actor_of: Any) -> None:
    """Neither do the house itself nor a clinician of another study."""
    actor = actor_of(request.getfixturevalue(who))
    with pytest.raises(NotAllowed):
        hold_release(hold=hold, reason="x", password=cast.PASSWORD, actor=actor)
    with pytest.raises(WrongPassword):
        hold_release(hold=hold, reason="x", password=cast.PASSWORD, actor=system_actor("night"))


def test_hold_by_sql(hold: Hold, clinician: Any, actor_of: Any, noon: datetime) -> None:
    """No release without signature and reason, none undone, none deleted."""
    with pytest.raises(IntegrityError, match="hold_released_by_signature"), transaction.atomic():
        Hold.objects.update(released_at=noon)
    hold_release(hold=hold, reason="well", password=cast.PASSWORD, actor=actor_of(clinician))
    with pytest.raises(IntegrityError, match="stays as it was signed"), transaction.atomic():
        Hold.objects.update(reason="another one")
    with pytest.raises(DatabaseError, match="Cannot delete"):
        run_sql("DELETE FROM participants_hold")


@pytest.fixture
def deviation(ana: Participant, study: Any, keeper: Actor, noon: datetime) -> Deviation:
    """A deviation that the coordinator recorded."""
    return deviation_record(
        study=study, participant=ana, kind="step", what="cards shown twice", subject="visit 1, cards",
        occurred_at=noon - timedelta(hours=1), actor=keeper,
    )  # fmt: skip


def test_course_of_a_deviation(
    deviation: Deviation, keeper: Actor, clinician: Any, lead: Any, actor_of: Any
) -> None:
    """Explained twice, closed by somebody who did neither."""
    doctor = actor_of(clinician)
    with pytest.raises(Refused, match="not explained yet"):
        deviation_close(deviation=deviation, password=cast.PASSWORD, actor=doctor)
    deviation_explain(deviation=deviation, explanation="projector hung", actor=doctor)
    deviation_explain(deviation=deviation, explanation="replaced since", actor=keeper)
    deviation.refresh_from_db()
    assert deviation.explanation == "projector hung\n\nreplaced since"
    assert deviation.state == "explained"
    with pytest.raises(Refused, match="Somebody else"):  # the first explainer, though not the last
        deviation_close(deviation=deviation, password=cast.PASSWORD, actor=doctor)
    with pytest.raises(WrongPassword):
        deviation_close(deviation=deviation, password="wrong", actor=actor_of(lead))
    with pytest.raises(RefusedWithReasons) as left:
        deviation_close(deviation=deviation, password=cast.PASSWORD, actor=actor_of(lead))
    assert len(left.value.reasons) == 1
    assess(deviation, actor_of(lead))
    deviation_close(deviation=deviation, password=cast.PASSWORD, actor=actor_of(lead))
    deviation.refresh_from_db()
    assert deviation.state == "closed"
    assert not closing_is_void(deviation)
    with pytest.raises(Refused, match="closed"):
        deviation_explain(deviation=deviation, explanation="more", actor=keeper)
    actions = Event.objects.filter(subject_code=deviation.uid).values_list("action", flat=True)
    assert {"deviation.recorded", "deviation.explained", "deviation.closed"} <= set(actions)


def test_deviation_by_sql(
    deviation: Deviation, clinician: Any, lead: Any, actor_of: Any, noon: datetime
) -> None:
    """Not closed without signature, nor by who explained it; once closed it stays."""
    with pytest.raises(IntegrityError), transaction.atomic():
        Deviation.objects.update(state="closed")
    doctor, chief = actor_of(clinician), actor_of(lead)
    deviation_explain(deviation=deviation, explanation="projector hung", actor=doctor)
    other = Deviation.objects.create(
        study=deviation.study, kind="other", what="door open", occurred_at=noon, recorded_at=noon
    )
    deviation_explain(deviation=other, explanation="wind", actor=actor_of(clinician))
    assess(other, chief)
    deviation_close(deviation=other, password=cast.PASSWORD, actor=chief)
    other.refresh_from_db()
    Deviation.objects.filter(pk=deviation.pk).update(explained_by=lead)
    with pytest.raises(IntegrityError, match="somebody other"), transaction.atomic():
        Deviation.objects.filter(pk=deviation.pk).update(
            state="closed", closed_at=noon, closing=other.closing
        )
    for change in ({"what": "nothing"}, {"state": "open"}, {"explanation": "better"}):
        with pytest.raises(IntegrityError, match="stays as it was signed"), transaction.atomic():
            Deviation.objects.filter(pk=other.pk).update(**change)
    with pytest.raises(DatabaseError, match="Cannot delete"):
        run_sql("DELETE FROM participants_deviation")


def test_the_house_finds_deviations_whoever_acts(
    ana: Participant, study: Any, pharmacist: Any, actor_of: Any, noon: datetime
) -> None:
    """A pharmacist cannot record one, but what the house finds while they work is on record."""
    given = {"study": study, "kind": "kit", "what": "wrong kit offered", "occurred_at": noon,
             "participant": ana, "actor": actor_of(pharmacist)}  # fmt: skip
    with pytest.raises(NotAllowed):
        deviation_record(**given)
    found = deviation_found(**given)
    assert (found.found_by_system, found.recorded_by) == (True, pharmacist)


def test_deviation_is_checked_at_its_fields(
    ana: Participant, study: Any, keeper: Actor, noon: datetime, outsider: Any
) -> None:
    """Kind, text, time, and a volunteer of the same study."""
    from studylab.people.selectors import actor_for
    from studylab.studies.models import Study

    good = {"study": study, "participant": ana, "kind": "other", "what": "x", "occurred_at": noon}
    for field, wrong in {
        "kind": "none", "what": "  ", "occurred_at": noon + timedelta(minutes=1),
    }.items():  # fmt: skip
        with pytest.raises(Refused) as refused:
            deviation_record(**{**good, field: wrong}, actor=keeper)
        assert refused.value.field == field
    other = Study.objects.get(slug="other-study")
    with pytest.raises(Refused, match="not in this study"):
        deviation_record(**{**good, "study": other}, actor=actor_for(outsider, other))
    with pytest.raises(NotAllowed):
        deviation_record(**good, actor=actor_for(outsider, other))
