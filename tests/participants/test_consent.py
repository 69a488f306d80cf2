"""Consent: each time is somebody's own act, and nothing is dated back silently."""

from datetime import date, datetime, timedelta
from typing import Any

import pytest

from studylab.access import Actor
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.participants.models import Participant
from studylab.participants.selectors import consent_entries, current_consent
from studylab.participants.services import consent_record, participant_withdraw
from studylab.studies.selectors import current_protocol
from tests.participants.people import correct, give_consent

pytestmark = [pytest.mark.django_db, pytest.mark.database]
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)


def test_both_times_are_kept_and_the_gap_is_shown(
    ana: Participant, keeper: Actor, noon: datetime
) -> None:
    """Signed at nine, typed in at noon: both stand there, with the difference."""
    give_consent(keeper, ana, noon - 3 * HOUR)
    newest = consent_entries(ana)[0]
    assert (newest.consent.signed_at, newest.consent.recorded_at) == (noon - 3 * HOUR, noon)
    assert newest.notes == ["Recorded 3 h after it was given."]
    assert newest.stands


@pytest.mark.parametrize("missing", ["signed_at", "written_on", "staff_signed_at"])
def test_no_time_on_paper_is_taken_from_another(
    ana: Participant, keeper: Actor, noon: datetime, study: Any, missing: str
) -> None:
    """Each of the three is asked for at its own field."""
    times = {"signed_at": noon - HOUR, "written_on": noon.date(), "staff_signed_at": noon - HOUR}
    with pytest.raises(Refused) as refused:
        consent_record(
            participant=ana, kind="study", version=current_protocol(study).plan.consent_version,
            method="paper", actor=keeper, **{**times, missing: None},
        )  # fmt: skip
    assert refused.value.field == missing


def test_staff_cannot_type_the_time_of_a_consent_on_screen(
    ana: Participant, keeper: Actor, noon: datetime, study: Any
) -> None:
    """The server takes its own time at the volunteer's act, and nobody corrects it."""
    given = {"participant": ana, "kind": "study", "method": "screen", "actor": keeper,
             "version": current_protocol(study).plan.consent_version}  # fmt: skip
    with pytest.raises(Refused, match="server"):
        consent_record(signed_at=noon - HOUR, **given)
    consent = consent_record(signed_at=None, **given)
    assert consent.signed_at == consent.recorded_at == noon
    with pytest.raises(Refused, match="own act"):
        correct(keeper, consent, noon - HOUR)


@pytest.mark.parametrize("kind", ["study", "questions"])
def test_only_the_version_in_force(
    ana: Participant, keeper: Actor, noon: datetime, kind: str
) -> None:
    """A signature under an older text is no consent to this one."""
    with pytest.raises(Refused) as refused:
        consent_record(
            participant=ana, kind=kind, version="0.9", method="paper", signed_at=noon - HOUR,
            written_on=noon.date(), staff_signed_at=noon, actor=keeper,
        )  # fmt: skip
    assert refused.value.field == "version"


def test_study_consent_is_not_spoken(
    ana: Participant, keeper: Actor, noon: datetime, study: Any
) -> None:
    """In writing only."""
    with pytest.raises(Refused, match="in writing"):
        consent_record(
            participant=ana, kind="study", version=current_protocol(study).plan.consent_version,
            method="spoken", signed_at=noon - HOUR, actor=keeper,
        )  # fmt: skip


@pytest.mark.parametrize(
    ("field", "shift"), [("signed_at", MINUTE), ("staff_signed_at", MINUTE), ("written_on", None)]
)
def test_nothing_lies_in_the_future(
    ana: Participant, keeper: Actor, noon: datetime, study: Any, field: str, shift: Any
) -> None:
    """Neither signature nor the written day can be later than now."""
    times: dict[str, Any] = {
        "signed_at": noon - HOUR, "written_on": noon.date(), "staff_signed_at": noon - HOUR,
    }  # fmt: skip
    times[field] = noon + shift if shift else date(2026, 3, 11)
    with pytest.raises(Refused) as refused:
        consent_record(
            participant=ana, kind="study", version=current_protocol(study).plan.consent_version,
            method="paper", actor=keeper, **times,
        )  # fmt: skip
    assert refused.value.field == field


def test_a_second_entry_is_no_way_around_a_correction(
    consented: Participant, keeper: Actor, noon: datetime
) -> None:
    """An earlier time comes in by a correction with a reason, or not at all."""
    with pytest.raises(Conflict, match="correct that entry"):
        give_consent(keeper, consented, noon - 3 * HOUR)


def test_a_correction_keeps_the_old_entry(
    consented: Participant, keeper: Actor, noon: datetime
) -> None:
    """Old time, new time, who, when and why all remain; the trail has both times."""
    old = current_consent(consented, "study")
    assert old is not None
    with pytest.raises(Refused) as refused:
        correct(keeper, old, noon - 2 * HOUR, reason=" ")
    assert refused.value.field == "reason"
    with pytest.raises(Refused, match="Nothing differs"):
        correct(keeper, old, old.signed_at)
    new = correct(keeper, old, noon - 2 * HOUR, reason="wrong column read")
    old.refresh_from_db()
    assert (old.signed_at, old.superseded_by) == (noon - HOUR, new)
    assert current_consent(consented, "study") == new
    event = Event.objects.get(action="consent.corrected")
    assert event.reason == "wrong column read"
    assert event.data["before"]["signed_at"] == (noon - HOUR).isoformat()
    assert event.data["now"]["signed_at"] == (noon - 2 * HOUR).isoformat()
    with pytest.raises(Conflict, match="newest"):
        correct(keeper, old, noon - 3 * HOUR)


def test_nobody_consents_after_the_end(ana: Participant, keeper: Actor, noon: datetime) -> None:
    """A volunteer who withdrew signs nothing more; what was recorded can still be corrected."""
    consent = give_consent(keeper, ana, noon - HOUR)
    participant_withdraw(participant=ana, reason="no time", actor=keeper)
    with pytest.raises(Refused, match="withdrawn"):
        give_consent(keeper, ana, noon - HOUR)
    assert correct(keeper, consent, noon - 2 * HOUR).supersedes == consent


@pytest.mark.parametrize("who", ["pharmacist", "lead", "monitor"])
def test_roles_that_record_no_consent(
    consented: Participant, noon: datetime, who: str, request: Any, actor_of: Any
) -> None:
    """The service refuses them recording and correcting."""
    actor = actor_of(request.getfixturevalue(who))
    consent = current_consent(consented, "study")
    assert consent is not None
    with pytest.raises(NotAllowed):
        give_consent(actor, consented, noon - HOUR)
    with pytest.raises(NotAllowed):
        correct(actor, consent, noon - 2 * HOUR)
