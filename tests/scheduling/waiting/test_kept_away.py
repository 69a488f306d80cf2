"""Field case F-20: payments, waits, freed times, changes and messages of a volunteer, reached by number, are closed too."""

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any
from uuid import uuid4

import pytest
from django.test import Client
from django.urls import URLPattern, get_resolver, reverse

from scheduling.models import FreedTime, SentHome, SeriesChange
from scheduling.selectors.sealed import open_option
from scheduling.selectors.waiting import fits_shown
from scheduling.services.booking import series_book
from scheduling.services.change import series_cancel
from scheduling.services.payments import payment_record
from scheduling.services.waiting import offer_make, waiting_add
from screening.services.staff import staff_decide
from studylab import clock
from studylab.access import Actor
from studylab.errors import Refused
from studylab.outbox.models import Message
from studylab.participants import kept_away
from studylab.participants.models import Participant
from studylab.studies.selectors import current_protocol
from tests import cast
from tests.scheduling import lab as the_lab
from tests.scheduling.booking.addresses import WEEK

Addresses = dict[str, str]
# Addresses with a number that lead to no single volunteer, or that an emergency of many needs.
ABOUT_NOBODY = {
    "pauses": "the whole study's dosing", "calendar/plan": "a run of the planner for many",
    "dispensary": "kits and batches, by a pharmacist", "set-up": "documents and rules of the study",
    "resources": "rooms, people, shifts, holidays", "calendar/feeds": "times of a room or of oneself",
    "restored": "all numbers after a restoration", "record/exports": "everybody, by code",
    "today/clocks": "devices that measure pressure", "people/training": "people of the staff",
}  # fmt: skip


@pytest.fixture
def addresses(volunteer: Participant, booker: Actor) -> Addresses:
    """One address of each kind, about one volunteer: a series booked, cancelled and taken up again on the waiting list."""
    study = volunteer.study
    series = series_book(participant=volunteer, option=the_lab.find(volunteer, WEEK)[0], actor=booker)  # fmt: skip
    visit = series.visits.get(number=1)
    series_cancel(series=series, reason="Moves away", actor=booker)
    wait = waiting_add(participant=volunteer, first_day=None, last_day=None, note="", actor=booker)
    now = clock.now()
    paid = payment_record(
        participant=volunteer, amount=Decimal(5), paid_at=now, how="cash", note="In advance.", actor=booker
    )  # fmt: skip
    home = SentHome.objects.create(
        participant=volunteer, visit=visit, at=now, recorded_at=now, reason="No room.", counts=True, recorded_by_id=booker.user_id
    )  # fmt: skip
    mail = Message.objects.create(
        kind="visit_reminder", study=study, participant=volunteer, about="visit:1", key="k", language="en",
        queued_at=now, due_at=now, next_at=now, useful_until=now + timedelta(days=1), matters_until=now + timedelta(days=1),
    )  # fmt: skip
    uids = {
        "payment_correct": paid, "payment_receipt": paid, "payment_sent_home_back": home, "waiting_end": wait,
        "waiting_freed": FreedTime.objects.get(), "series_undo": SeriesChange.objects.get(), "message_question": mail,
    }  # fmt: skip
    named = {name: reverse(name, args=[study.slug, row.uid]) for name, row in uids.items()}
    return named | {
        "payment_account": reverse("payment_account", args=[study.slug, volunteer.code])
    }


@pytest.mark.django_db
@pytest.mark.database
def test_f20_pages_of_payments_waits_and_changes_are_closed(
    addresses: Addresses, volunteer: Participant, coordinator: Any, lead: Any, client_of: Callable[[Any], Client]
) -> None:  # fmt: skip
    client, boss = client_of(coordinator), cast.actor_of(lead, volunteer.study)

    def decide(kept: bool) -> None:
        staff_decide(participant=volunteer, user=coordinator, kept_away=kept, reason="A cousin.", actor=boss)  # fmt: skip

    def seen() -> dict[str, int]:
        return {name: client.get(page).status_code for name, page in addresses.items()}

    before = dict.fromkeys(addresses, 200) | {"series_undo": 405}  # by a press only
    assert seen() == before
    decide(True)
    for name, page in addresses.items():
        refused = client.get(page)
        assert refused.status_code == 403, name
        assert "Somebody else works with this volunteer" in refused.content.decode(), name
        assert client.post(page, {}).status_code == 403, name
    decide(False)
    assert seen() == before


@pytest.mark.django_db
@pytest.mark.database
@pytest.mark.usefixtures("addresses")
def test_f20_nothing_is_held_for_whom_one_is_kept_away_from(
    volunteer: Participant, coordinator: Any, lead: Any, booker: Actor
) -> None:
    freed = FreedTime.objects.get()
    row = fits_shown(freed, clock.now())[0]
    assert row.card is not None
    option = open_option(
        row.card.token, version=current_protocol(volunteer.study).version, about=volunteer.code
    )
    staff_decide(
        participant=volunteer, user=coordinator, kept_away=True, reason="A cousin.",
        actor=cast.actor_of(lead, volunteer.study),
    )  # fmt: skip
    with pytest.raises(Refused, match="Somebody else"):
        offer_make(waiting=row.row, freed=freed, option=option, actor=booker)


def routes(patterns: Any, before: str = "") -> list[str]:
    found = []
    for one in patterns:
        here = before + str(one.pattern)
        found += [here] if isinstance(one, URLPattern) else routes(one.url_patterns, here)
    return found


@pytest.mark.django_db
def test_every_address_by_number_is_closed_or_leads_to_no_single_volunteer() -> None:
    """A new address with a number belongs into `register_kept_away_by`, or here with its reason."""
    by_number = [
        route.removeprefix("s/<slug:study>/") for route in routes(get_resolver().url_patterns)
        if route.startswith("s/") and "<uuid:uid>" in route and "<str:code>" not in route
    ]  # fmt: skip
    assert len(by_number) > 60
    closed = set(kept_away._by_number)
    assert [
        route for route in by_number
        if not any(part in route for part in closed)
        and not any(route.startswith(start) for start in ABOUT_NOBODY)
    ] == []  # fmt: skip
    for part, reader in kept_away._by_number.items():
        assert any(part in route for route in by_number), part
        assert reader(1, uuid4(), 1) is False, part  # the relation is there
