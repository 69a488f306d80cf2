"""What somebody who left said may happen: asked, kept, added to, and respected where it counts."""

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.db import DatabaseError, IntegrityError, transaction
from django.test import Client

from scheduling.selectors.today import contacts_due
from studylab import clock
from studylab.access import Actor
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import NotAllowed, Refused
from studylab.participants.models import LeavingWish, Participant
from studylab.participants.selectors.wishes import standing_wish, to_ask, wants_no_safety_contact
from studylab.participants.services import participant_complete, participant_withdraw
from studylab.participants.services.wishes import Wishes, wish_record
from tests.participants.people import fill_in, run_sql, text_of, url
from tests.reports.export import exported

pytestmark = [pytest.mark.django_db, pytest.mark.database]
SENT = {
    "how": "phone", "said_at": "2026-03-10T08:00", "safety_contact": "yes", "use": "no_use", "contact_again": "no",
}  # fmt: skip


@pytest.fixture
def said(noon: datetime) -> Wishes:
    return Wishes("yes", "no_use", "no", "phone", noon - timedelta(minutes=30))


def test_a_withdrawal_asks_what_may_happen_and_shows_it_everywhere(
    consented: Participant, office: Client, study: Any
) -> None:
    address = url(study, "volunteer_withdraw", consented.code)
    page = text_of(office.get(address))
    assert "ethics committee" in page
    assert "stays where law asks for it" in page
    silent = office.post(address, {"reason": "moved away"})
    assert silent.status_code == 422
    assert "nobody asked yet" in text_of(silent)
    half = office.post(address, {"reason": "moved away", "how": "phone", "use": "no_use"})
    assert half.status_code == 422
    assert set(half.context["form"].errors) == {"said_at", "safety_contact", "contact_again"}
    sent = office.post(address, {"reason": "moved away", **SENT})
    assert sent.status_code == 302, sent.context["form"].errors
    wish = standing_wish(consented)
    assert wish is not None
    assert (wish.use, wish.how, wish.recorded_by_id) == (
        "no_use",
        "phone",
        int(office.session["_auth_user_id"]),
    )
    page = text_of(office.get(url(study, "volunteer", consented.code)))
    assert "not to be used further" in page
    assert "did not agree to be contacted again" in text_of(
        office.get(url(study, "volunteer_contact", consented.code))
    )
    assert Event.objects.get(action=Action.WISH_RECORDED).data["use"] == "no_use"


def test_a_further_entry_follows_and_never_overwrites(
    consented: Participant, office: Client, keeper: Actor, study: Any, said: Wishes
) -> None:
    with pytest.raises(Refused, match="still takes part"):
        wish_record(participant=consented, wishes=said, actor=keeper)
    participant_withdraw(participant=consented, reason="moved", wishes=said, actor=keeper)
    address = url(study, "volunteer_wishes", consented.code)
    without = fill_in(office, address, {**SENT, "use": "analysis"})
    assert without.status_code == 422
    assert "reason" in without.context["form"].errors
    given = {**SENT, "use": "analysis", "reason": "Wrote again."}
    assert office.post(address, {**given, "shown": "0"}).status_code == 409
    assert fill_in(office, address, given).status_code == 302
    assert [one.use for one in LeavingWish.objects.order_by("id")] == ["no_use", "analysis"]
    assert standing_wish(consented).use == "analysis"  # type: ignore[union-attr]
    page = text_of(office.get(address))
    assert "earlier entry" in page
    assert "Wrote again." in page


def test_by_service_and_by_sql(
    ana: Participant, keeper: Actor, chief: Actor, experimenter: Any, actor_of: Any, said: Wishes
) -> None:
    with pytest.raises(IntegrityError, match="still takes part"), transaction.atomic():
        LeavingWish.objects.create(
            participant=ana, use="no_use", safety_contact="no", contact_again="no", how="phone",
            said_at=said.said_at, recorded_at=clock.now(),
        )  # fmt: skip
    participant_complete(participant=ana, actor=actor_of(experimenter))
    with pytest.raises(NotAllowed):
        wish_record(participant=ana, wishes=said, actor=chief)
    for field, wrong in {
        "use": "perhaps", "how": "", "said_at": clock.now() + timedelta(minutes=1),
    }.items():  # fmt: skip
        with pytest.raises(Refused) as refused:
            wish_record(participant=ana, wishes=replace(said, **{field: wrong}), actor=keeper)
        assert refused.value.field == field
    wish_record(participant=ana, wishes=said, actor=keeper)  # also after the last visit
    for statement in (
        "UPDATE participants_leavingwish SET use = 'analysis'",
        "DELETE FROM participants_leavingwish",
    ):
        with pytest.raises(DatabaseError, match="Cannot"):
            run_sql(statement)


def test_nobody_is_forgotten_and_the_export_flags_everybody(
    consented: Participant,
    ben: Participant,
    office: Client,
    keeper: Actor,
    study: Any,
    said: Wishes,
) -> None:
    """Requirement of issue 7, point 6: not silently dropped."""
    participant_withdraw(participant=consented, reason="moved", actor=keeper)
    assert to_ask(study) == [consented]
    assert "Withdrawn: ask what may happen" in text_of(office.get(url(study, "home")))
    found = {row["code"]: row["use_after_withdrawal"] for row in exported(study).rows("people.csv")}
    assert found == {consented.code: "not_asked", ben.code: ""}
    wish_record(participant=consented, wishes=said, actor=keeper)
    assert to_ask(study) == []
    file = exported(study)
    found = {row["code"]: row["use_after_withdrawal"] for row in file.rows("people.csv")}
    assert found == {consented.code: "no_use", ben.code: ""}
    assert [row["use"] for row in file.rows("leaving_wishes.csv")] == ["no_use"]
    meanings = [row["meaning"] for row in file.rows("dictionary.csv") if row["column"] == "use_after_withdrawal"]  # fmt: skip
    assert "not used further" in meanings[0]


def test_who_asked_not_to_be_called_is_on_no_list_of_calls(
    ana: Participant, keeper: Actor, office: Client, study: Any, said: Wishes, noon: datetime
) -> None:
    """The doses behind the list are tested in scheduling; here, whom it leaves out."""
    participant_withdraw(participant=ana, reason="moved", wishes=said, actor=keeper)
    assert wants_no_safety_contact(study) == {}
    wish_record(
        participant=ana, wishes=replace(said, safety_contact="no"), reason="Called.", actor=keeper
    )
    assert wants_no_safety_contact(study) == {ana.pk: ana.code}
    assert contacts_due(study, noon) == []
    page = text_of(office.get(url(study, "contacts")))
    assert f"asked not to be called any more: {ana.code}" in page
