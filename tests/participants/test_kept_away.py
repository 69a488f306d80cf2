"""Field case F-20: pages of events, deviations and holds are closed to staff kept away from the volunteer."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import resolve, reverse

from screening.services.staff import staff_decide
from studylab.access import ROLE_CAPS, Actor, Role
from studylab.participants.models import Participant
from studylab.participants.services import deviation_record, event_record, hold_open
from studylab.participants.urls import _one_deviation, _one_event
from tests import cast
from tests.participants.test_events import DIZZY

pytestmark = [pytest.mark.django_db, pytest.mark.database]
OPEN = {"event_care"}  # somebody is in care, and the physician on duty may be the only one
MORE = {"rule": "committee", "part": "first"}


@pytest.fixture
def addresses(
    consented: Participant, keeper: Actor, doctor: Actor, noon: datetime
) -> list[tuple[str, str]]:
    """Every page of an event, a deviation and a hold of one volunteer, by name."""
    hour_ago, study = noon - timedelta(minutes=30), consented.study
    event = event_record(
        participant=consented, source="phone", aware_at=hour_ago, event=DIZZY, actor=keeper
    ).event
    deviation = deviation_record(
        study=study, participant=consented, kind="step", what="Left out.", occurred_at=hour_ago, actor=keeper
    )  # fmt: skip
    hold = hold_open(participant=consented, kind="other", reason="Asked to wait.", actor=doctor)
    routes = [("event", event, []), ("deviation", deviation, [])]
    routes += [(one.name, event, list(one.pattern.converters)) for one in _one_event]
    routes += [(one.name, deviation, list(one.pattern.converters)) for one in _one_deviation]
    routes += [("hold_release", hold, [])]
    return [
        (name, reverse(name, kwargs={"study": study.slug, "uid": subject.uid, **{key: MORE[key] for key in keys}}))
        for name, subject, keys in routes
    ]  # fmt: skip


def pages_of(client: Client, addresses: list[tuple[str, str]]) -> Iterator[tuple[str, int, str]]:
    for name, address in addresses:
        if resolve(address).func.required_capability in ROLE_CAPS[Role.CLINICIAN]:
            answer = client.get(address)
            yield name, answer.status_code, answer.content.decode()


def test_f20_pages_reached_by_number_are_closed_but_what_an_emergency_needs(
    addresses: list[tuple[str, str]],
    consented: Participant,
    clinician: Any,
    lead: Any,
    client_of: Any,
) -> None:
    client = client_of(clinician)
    before = list(pages_of(client, addresses))
    assert len(before) >= 15
    assert {status for _, status, _ in before} <= {200, 404, 405}
    boss = cast.actor_of(lead, consented.study)
    staff_decide(
        participant=consented, user=clinician, kept_away=True, reason="A cousin.", actor=boss
    )
    for (name, status, page), (_, was, _) in zip(pages_of(client, addresses), before, strict=True):
        assert status == (was if name in OPEN else 403), name
        assert name in OPEN or "Somebody else works with this volunteer" in page
    for name, address in addresses:
        if name not in OPEN:
            assert client.post(address, {}).status_code == 403, name
    staff_decide(
        participant=consented, user=clinician, kept_away=False, reason="No cousin.", actor=boss
    )
    assert [status for _, status, _ in pages_of(client, addresses)] == [row[1] for row in before]


def test_f20_an_event_may_be_recorded_by_them_and_leads_to_no_closed_page(
    addresses: list[tuple[str, str]],
    consented: Participant,
    clinician: Any,
    lead: Any,
    client_of: Any,
) -> None:
    study = consented.study
    staff_decide(
        participant=consented, user=clinician, kept_away=True, reason="A cousin.",
        actor=cast.actor_of(lead, study),
    )  # fmt: skip
    client = client_of(clinician)
    care = dict(addresses)["event_care"]
    page = client.get(care)
    assert page.status_code == 200
    done = client.post(
        reverse("deviation_add", args=[study.slug]),
        {
            "volunteer": consented.code, "kind": "step", "what": "Seen on the stairs.",
            "occurred_at": "2026-03-10T08:30", "aware_at": "2026-03-10T08:30", "breach": "no",
        },
    )  # fmt: skip
    assert done.status_code == 302, done.content.decode()
    assert client.get(done["Location"]).status_code == 200
