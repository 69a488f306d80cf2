"""Contact details go on request or in time, the record stays; and who is asked for consent again."""

from datetime import datetime, timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse

from studylab import clock
from studylab.access import Actor
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused, RefusedWithReasons
from studylab.participants.models import Participant
from studylab.participants.selectors import contact_details
from studylab.participants.selectors.consents import to_ask_again
from studylab.participants.selectors.matching import likely_matches
from studylab.participants.services import participant_withdraw
from studylab.participants.services.erasure import contact_erase
from studylab.studies.models import ProtocolVersion, Study
from tests.guards import guards_off
from tests.participants.people import ANA, fill_in

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def erase(who: Participant, actor: Actor) -> list[str]:
    return contact_erase(participant=who, reason="Asked for by letter.", actor=actor)


def close(study: Any, at: datetime) -> None:
    """The study was closed then; how a study is closed is tested where its doors are."""
    Study.objects.filter(pk=study.pk).update(state="closed")
    with clock.travel(at):
        Event.objects.create(
            at=at, request_id=uuid4(), study_id=study.pk, actor_label="Lead", role="", action=Action.STUDY_STATE_CHANGED,
            subject_type="study", subject_code=study.slug, data={"from": "open", "to": "closed"},
        )  # fmt: skip


def test_who_only_enquired_is_forgotten_on_request_and_still_recognised(
    ana: Participant, keeper: Actor, doctor: Actor, study: Any
) -> None:
    with pytest.raises(RefusedWithReasons) as still:
        erase(ana, keeper)
    assert "still takes part" in still.value.reasons[0]
    participant_withdraw(participant=ana, reason="Changed their mind.", actor=keeper)
    with pytest.raises(NotAllowed):
        erase(ana, doctor)
    with pytest.raises(Refused, match="who asked"):
        contact_erase(participant=ana, reason=" ", actor=keeper)
    erase(ana, keeper)
    assert contact_details(ana.person) is None
    assert [match.code for match in likely_matches(study, ANA)] == [ana.code]
    assert Event.objects.filter(action=Action.CONTACT_ERASED).count() == 1
    with pytest.raises(Conflict):
        erase(ana, keeper)


@pytest.mark.shows("D-09")
def test_a_consented_person_is_kept_until_the_rule_has_run_out(
    consented: Participant, keeper: Actor, noon: datetime, study: Any
) -> None:
    """Field case F-67: no date of the event means keep."""
    participant_withdraw(participant=consented, reason="Moved away.", actor=keeper)
    with pytest.raises(RefusedWithReasons) as unknown:
        erase(consented, keeper)
    assert "no date is known" in unknown.value.reasons[0]
    close(study, noon)
    with pytest.raises(RefusedWithReasons) as kept:
        erase(Participant.objects.get(pk=consented.pk), keeper)
    assert "Until 10 March 2041." in kept.value.reasons[0]
    with clock.travel(noon + timedelta(days=15 * 365 + 6)):
        erase(Participant.objects.get(pk=consented.pk), keeper)
    assert contact_details(consented.person) is None


def test_the_page_says_what_keeps_and_what_follows_before_it_asks(
    ana: Participant, keeper: Actor, office: Client, study: Any
) -> None:
    address = reverse("volunteer_contact_erase", args=[study.slug, ana.code])
    page = office.get(address).content.decode()
    assert "still takes part" in page
    assert "Erase for good" not in page
    participant_withdraw(participant=ana, reason="Changed their mind.", actor=keeper)
    page = office.get(address).content.decode()
    assert "Keyed digests stay" in page
    unread = fill_in(office, address, {"reason": "By letter."})
    assert unread.status_code == 422
    assert "Read what follows" in unread.content.decode()
    assert fill_in(office, address, {"reason": "By letter.", "read": "on"}).status_code == 302
    assert "were erased" in office.get(address).content.decode()


def test_a_new_text_puts_everybody_who_signed_the_old_one_on_the_list(
    consented: Participant, office: Client, study: Any
) -> None:
    home = reverse("home", args=[study.slug])
    assert to_ask_again(study) == []
    assert "Consent again" not in office.get(home).content.decode()
    with guards_off("studies_protocolversion") as cursor:
        cursor.execute(
            "UPDATE studies_protocolversion SET document = replace(document, %s, %s)",
            ['consent_version = "1.0', 'consent_version = "1.1'],
        )
    assert ProtocolVersion.objects.filter(document__contains='"1.1').exists()
    assert [one.participant for one in to_ask_again(study)] == [consented]
    page = office.get(home).content.decode()
    assert "Consent again: the text has changed" in page
    Participant.objects.update(status="withdrawn", status_reason="Moved away.")
    assert to_ask_again(study) == []
