"""The pages of ends, holds and deviations."""

from datetime import datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from studylab import codes
from studylab.access import Actor
from studylab.participants import end_hooks
from studylab.participants.models import Deviation, Hold, Participant
from studylab.participants.services import deviation_explain, deviation_record, hold_open
from tests import cast
from tests.participants.people import fill_in, text_of, url

pytestmark = [pytest.mark.django_db, pytest.mark.database]
DEVIATION = {
    "kind": "step",
    "what": "cards shown twice",
    "subject": "visit 1, cards",
    "occurred_at": "2026-03-10T08:00",
}


def test_withdrawal_says_what_follows_first(
    ana: Participant, study: Any, coordinator: Any, client_of: Any, monkeypatch: Any
) -> None:
    """Consequences of every app stand above the form; the reason is needed; it is done once."""
    monkeypatch.setattr(end_hooks, "_registered", {})
    end_hooks.register_end_hook(
        "bookings",
        consequences=lambda person: [f"Three visits of {person.code} are cancelled."],
        carry_out=lambda **_: ["Three visits cancelled."],
    )
    office = client_of(coordinator)
    address = url(study, "volunteer_withdraw", ana.code)
    page = office.get(address).content.decode()
    assert f"Three visits of {ana.code} are cancelled." in page
    assert office.post(address, {"reason": " "}).status_code == 422
    response = office.post(address, {"reason": "moved away", "how": "not_asked"})
    assert response.url == url(study, "volunteer", ana.code)
    ana.refresh_from_db()
    assert (ana.status, ana.status_reason) == ("withdrawn", "moved away")
    assert "moved away" in office.get(address).content.decode()
    assert office.post(address, {"reason": "again", "how": "not_asked"}).status_code == 409


@pytest.mark.parametrize("status", ["withdrawn", "screened_out", "lost"])
def test_end_asks_what_happened(
    ana: Participant, study: Any, clinician: Any, client_of: Any, status: str
) -> None:
    """Three ways to end; completion is not one of them."""
    client, address = client_of(clinician), url(study, "volunteer_end", ana.code)
    assert client.post(address, {"reason": "x"}).status_code == 422
    assert client.post(address, {"reason": "x", "status": "completed"}).status_code == 422
    given = {"reason": "x", "status": status, "how": "not_asked"}
    assert client.post(address, given).status_code == 302
    ana.refresh_from_db()
    assert ana.status == status


def test_hold_is_opened_and_released_on_the_page(
    ana: Participant, study: Any, experimenter: Any, clinician: Any, client_of: Any
) -> None:
    """The experimenter opens, the clinician signs; a wrong password signs nothing."""
    bench, doctor = client_of(experimenter), client_of(clinician)
    address = url(study, "hold_add", ana.code)
    assert bench.post(address, {"kind": "symptom", "reason": ""}).status_code == 422
    assert bench.post(address, {"kind": "symptom", "reason": "dizzy"}).status_code == 302
    hold = Hold.objects.get()
    release = url(study, "hold_release", hold.uid)
    assert bench.get(release).status_code == 403
    wrong = doctor.post(release, {"reason": "seen", "password": "wrong"})
    assert wrong.status_code == 422
    assert "not your password" in wrong.content.decode()
    assert "seen</textarea>" in wrong.content.decode(), "the reason is not typed twice"
    assert doctor.post(release, {"reason": "seen", "password": cast.PASSWORD}).status_code == 302
    page = doctor.get(release).content.decode()
    assert "Milo Hartwell" in page
    assert doctor.post(release, {"reason": "x", "password": cast.PASSWORD}).status_code == 409


def test_holds_and_deviations_of_other_studies_are_not_there(
    ana: Participant, study: Any, keeper: Actor, noon: datetime, outsider: Any, client_of: Any
) -> None:
    """Through the address of one's own study neither is found."""
    hold = hold_open(participant=ana, kind="other", reason="x", actor=keeper)
    deviation = deviation_record(
        study=study, kind="other", what="x", occurred_at=noon, participant=ana, actor=keeper
    )
    client = client_of(outsider)
    assert client.get(reverse("hold_release", args=["other-study", hold.uid])).status_code == 404
    assert client.get(reverse("deviation", args=["other-study", deviation.uid])).status_code == 404


@pytest.mark.parametrize(
    ("field", "wrong", "words"),
    [
        ("volunteer", "HB-00001X", "check character"),
        ("volunteer", codes.participant_code(77, "HB"), "No volunteer of this study"),
        ("occurred_at", "2026-03-11T08:00", "later than now"),
        ("what", "", "required"),
    ],
)
def test_wrong_entry_of_a_deviation(
    ana: Participant, study: Any, office: Client, field: str, wrong: str, words: str
) -> None:
    """Each is told at its field; nothing is recorded."""
    given = {**DEVIATION, "volunteer": ana.code, field: wrong}
    response = office.post(url(study, "deviation_add"), given)
    assert response.status_code == 422
    assert words in response.context["form"].errors[field][0]
    assert not Deviation.objects.exists()


def test_course_of_a_deviation_on_pages(
    ana: Participant, study: Any, office: Client, lead: Any, client_of: Any
) -> None:
    """Recorded with a code in any case, explained, closed by somebody else."""
    chief, add = client_of(lead), url(study, "deviation_add")
    assert f'value="{ana.code}"' in text_of(office.get(add, {"volunteer": ana.code}))
    response = office.post(add, {**DEVIATION, "volunteer": ana.code.lower()})
    deviation = Deviation.objects.get()
    assert response.url == url(study, "deviation", deviation.uid)
    assert deviation.participant == ana
    assert "cards shown twice" in text_of(office.get(url(study, "deviations")))
    close, explain = (url(study, f"deviation_{n}", deviation.uid) for n in ("close", "explain"))
    early = fill_in(chief, close, {"password": cast.PASSWORD})
    assert early.status_code == 422
    assert "not explained yet" in text_of(early)
    assert fill_in(office, explain, {"explanation": "projector hung"}).status_code == 302
    assert office.get(close).status_code == 403
    assert "assess" in text_of(fill_in(chief, close, {"password": cast.PASSWORD})).lower()
    assessed = {
        "importance": "minor", "effect_person": "none", "effect_data": "none", "touches": "no",
        "corrective": "projector replaced", "breach": "no",
    }  # fmt: skip
    assess = url(study, "deviation_assess", deviation.uid)
    assert fill_in(chief, assess, assessed).status_code == 302
    assert fill_in(chief, close, {"password": "wrong"}).status_code == 422
    assert fill_in(chief, close, {"password": cast.PASSWORD}).status_code == 302
    page = text_of(chief.get(url(study, "deviation", deviation.uid)))
    assert "Lev Okonjo" in page
    assert "void" not in page
    for show, there in (("closed", True), ("open", False)):
        listed = text_of(office.get(url(study, "deviations"), {"state": show}))
        assert ("cards shown twice" in listed) is there


def test_who_explained_is_not_offered_to_close(
    ana: Participant,
    study: Any,
    keeper: Actor,
    clinician: Any,
    actor_of: Any,
    client_of: Any,
    noon: datetime,
) -> None:
    """The page says so, and a direct request is refused."""
    deviation = deviation_record(
        study=study, kind="other", what="x", occurred_at=noon - timedelta(hours=1), actor=keeper
    )
    deviation_explain(deviation=deviation, explanation="y", actor=actor_of(clinician))
    doctor, close = client_of(clinician), url(study, "deviation_close", deviation.uid)
    page = doctor.get(url(study, "deviation", deviation.uid)).content.decode()
    assert "somebody else closes it" in page
    assert close not in page
    response = fill_in(doctor, close, {"password": cast.PASSWORD})
    assert response.status_code == 422
    deviation.refresh_from_db()
    assert deviation.state == "explained"
