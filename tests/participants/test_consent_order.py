"""What was recorded is held against every consent entry; no edit of a time closes what the old time opened."""

from datetime import datetime, timedelta
from typing import Any

import pytest

from screening.models import AnswerSet, VitalSet
from studylab import clock
from studylab.access import Actor
from studylab.errors import Refused
from studylab.participants.models import Deviation, Participant
from studylab.participants.selectors import current_consent
from studylab.participants.services import deviation_close, deviation_explain
from tests import cast
from tests.participants.people import assess, correct, give_consent

pytestmark = [pytest.mark.django_db, pytest.mark.database]
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)


def vitals(participant: Participant, at: datetime) -> VitalSet:
    return VitalSet.objects.create(
        participant=participant, gate="screening", arm="left", taken_at=at, recorded_at=clock.now()
    )


def answers(participant: Participant, at: datetime) -> AnswerSet:
    return AnswerSet.objects.create(
        participant=participant,
        when="screening",
        source="staff",
        given_at=at,
        recorded_at=clock.now(),
    )


def order_deviations() -> list[Deviation]:
    return list(Deviation.objects.filter(kind="consent_order").order_by("pk"))


def test_order_broken_by_a_correction_stays_on_record(
    consented: Participant, keeper: Actor, noon: datetime, clinician: Any, lead: Any, actor_of: Any
) -> None:
    """Vitals 8:05, consent 8:00, corrected to 8:10 and back: the deviation waits for a second person."""
    vitals(consented, noon - 55 * MINUTE)
    first = current_consent(consented, "study")
    assert first is not None
    assert order_deviations() == []
    later = correct(keeper, first, noon - 50 * MINUTE, staff_signed_at=noon - 49 * MINUTE)
    (deviation,) = order_deviations()
    assert (deviation.state, deviation.found_by_system) == ("open", True)
    assert "vital set at 10 March 2026, 08:05 ADT" in deviation.what
    doctor = actor_of(clinician)
    correct(doctor, later, noon - HOUR, reason="typo", staff_signed_at=noon - 49 * MINUTE)
    (deviation,) = order_deviations()
    assert deviation.state == "explained"
    assert deviation.explanation.startswith("Explained by later correction")
    assert "08:10 ADT to 10 March 2026, 08:00 ADT" in deviation.explanation
    assert "typo" in deviation.explanation
    with pytest.raises(Refused, match="Somebody else"):
        deviation_close(deviation=deviation, password=cast.PASSWORD, actor=doctor)
    assess(deviation, actor_of(lead), told=True)
    deviation_close(deviation=deviation, password=cast.PASSWORD, actor=actor_of(lead))
    deviation.refresh_from_db()
    assert deviation.state == "closed"


def test_whoever_recorded_the_consent_does_not_close_its_deviation(
    ana: Participant, noon: datetime, clinician: Any, coordinator: Any, actor_of: Any
) -> None:
    """Even when somebody else wrote the explanation."""
    doctor = actor_of(clinician)
    give_consent(doctor, ana, noon - HOUR, staff=noon - 2 * HOUR)
    (deviation,) = order_deviations()
    deviation_explain(
        deviation=deviation, explanation="clock of the room was slow", actor=actor_of(coordinator)
    )
    with pytest.raises(Refused, match="Somebody else"):
        deviation_close(deviation=deviation, password=cast.PASSWORD, actor=doctor)


def test_an_order_broken_again_is_found_again(
    consented: Participant, keeper: Actor, noon: datetime
) -> None:
    """Broken, mended, broken: the second break is a deviation of its own."""
    vitals(consented, noon - 55 * MINUTE)
    consent = current_consent(consented, "study")
    for shift in (50, 60, 45):
        assert consent is not None
        consent = correct(
            keeper, consent, noon - shift * MINUTE, staff_signed_at=noon - 40 * MINUTE
        )
    assert [deviation.state for deviation in order_deviations()] == ["explained", "open"]


def test_an_order_still_broken_is_not_explained(
    consented: Participant, keeper: Actor, noon: datetime
) -> None:
    """A correction that mends nothing adds neither explanation nor a second deviation."""
    vitals(consented, noon - 55 * MINUTE)
    consent = current_consent(consented, "study")
    for shift in (50, 45):
        assert consent is not None
        consent = correct(
            keeper, consent, noon - shift * MINUTE, staff_signed_at=noon - 40 * MINUTE
        )
    (deviation,) = order_deviations()
    assert (deviation.state, deviation.explanation) == ("open", "")


def test_data_at_the_very_instant_of_consent_precede_nothing_but_are_not_after_it(
    consented: Participant, keeper: Actor, noon: datetime
) -> None:
    """Consent must be earlier, not equal: corrected to the minute of the vitals, it is out of order."""
    vitals(consented, noon - 50 * MINUTE)
    consent = current_consent(consented, "study")
    assert consent is not None
    correct(keeper, consent, noon - 50 * MINUTE, staff_signed_at=noon - 40 * MINUTE)
    assert [d.state for d in order_deviations()] == ["open"]


def test_answers_need_the_earlier_of_the_two_consents(
    consented: Participant, keeper: Actor, noon: datetime
) -> None:
    """They stand under the agreement to questions of two days ago, whatever the study consent says."""
    answers(consented, noon - 24 * HOUR)
    consent = current_consent(consented, "study")
    assert consent is not None
    correct(keeper, consent, noon - 30 * MINUTE, staff_signed_at=noon - 20 * MINUTE)
    assert order_deviations() == []
    agreement = current_consent(consented, "questions")
    assert agreement is not None
    correct(keeper, agreement, noon - 2 * HOUR)
    (deviation,) = order_deviations()
    assert "answers at 9 March 2026" in deviation.what


def test_staff_before_volunteer_has_its_own_deviation(
    ana: Participant, keeper: Actor, noon: datetime
) -> None:
    """Staff 8:00, volunteer 8:05; mended later, it is explained and not closed."""
    consent = give_consent(keeper, ana, noon - 55 * MINUTE, staff=noon - 60 * MINUTE)
    (deviation,) = order_deviations()
    assert "Staff signed at 10 March 2026, 08:00 ADT" in deviation.what
    assert deviation.state == "open"
    correct(keeper, consent, noon - 55 * MINUTE, staff_signed_at=noon - 54 * MINUTE)
    (deviation,) = order_deviations()
    assert deviation.state == "explained"
    assert "staff's signature" in deviation.explanation


def test_a_closed_deviation_is_not_touched_by_a_correction(
    ana: Participant, keeper: Actor, noon: datetime, lead: Any, coordinator: Any, actor_of: Any
) -> None:
    """What was signed stays as it was signed."""
    consent = give_consent(keeper, ana, noon - 55 * MINUTE, staff=noon - 60 * MINUTE)
    (deviation,) = order_deviations()
    deviation_explain(deviation=deviation, explanation="order swapped", actor=keeper)
    assess(deviation, actor_of(lead), told=True)
    deviation_close(deviation=deviation, password=cast.PASSWORD, actor=actor_of(lead))
    correct(keeper, consent, noon - 55 * MINUTE, staff_signed_at=noon - 54 * MINUTE)
    deviation.refresh_from_db()
    assert (deviation.state, deviation.explanation) == ("closed", "order swapped")
