"""Today: what each role sees, what is never on it, and that it costs the same for many visits."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from scheduling.models import Series, Visit
from scheduling.selectors.timelines import span
from studylab import clock
from studylab.participants.services import hold_open
from tests.scheduling import lab
from tests.scheduling.pages.conftest import Pages
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db, pytest.mark.database]
PagesOf = Callable[[Case], Pages]


@pytest.mark.parametrize("name", ["today", "today_rows", "contacts"])
def test_who_may_look(booked: Case, pages_of: PagesOf, name: str) -> None:
    pages = pages_of(booked)
    seen = {
        role: pages.get(pages.url(name), role).status_code
        for role in ("coordinator", "clinician", "pharmacist", "experimenter", "lead", "monitor")
    }
    assert seen == dict.fromkeys(seen, 200) | {"pharmacist": 403}


def test_the_day_of_the_visit_shows_it_and_the_day_before_is_empty(
    booked: Case, pages_of: PagesOf
) -> None:
    pages = pages_of(booked)
    assert "No visits today." in pages.text(pages.url("today"))
    booked.t = booked.visit(1).planned.lower - timedelta(minutes=20)
    text = pages.text(pages.url("today"))
    assert booked.participant.code in text
    assert "The story" in text
    assert "due</span>" in text
    assert pages.visit_url("visit", 1) in text
    tomorrow = (booked.t + timedelta(days=1)).date().isoformat()
    other = pages.text(pages.url("today") + f"?day={tomorrow}")
    assert "Reminder and capsule" in other
    assert "hx-get" not in other.split("today-rows", 1)[1].split(">", 1)[0]
    assert pages.get(pages.url("today") + "?day=never").status_code == 422


def test_late_is_said_with_the_minutes(booked: Case, pages_of: PagesOf) -> None:
    booked.t = booked.visit(1).planned.lower + timedelta(minutes=17)
    text = pages_of(booked).text(pages_of(booked).url("today_rows"))
    assert "late</span>" in text
    assert "planned 17 min ago" in text
    assert f'data-change="{booked.participant.code}: late"' in text  # said politely when it is new


def test_a_wait_is_a_countdown_by_the_servers_clock(dosed: Case, pages_of: PagesOf) -> None:
    pages = pages_of(dosed)
    due = dosed.dose.given_at + timedelta(minutes=90)
    dosed.forward(12)
    text = pages.text(pages.url("today_rows"))
    assert "waiting</span>" in text
    assert f'data-until="{due.isoformat()}"' in text
    assert f'data-server-now="{dosed.t.isoformat()}"' in text
    assert "hx-get" in pages.text(pages.url("today"))
    dosed.t = due
    assert "check due</span>" in pages.text(pages.url("today_rows"))


def test_a_hold_is_named_without_its_reason(dosed: Case, pages_of: PagesOf) -> None:
    dosed.act(
        hold_open,
        participant=dosed.participant,
        kind="symptom",
        reason="Pulse 41, grey in the face",
    )
    words = pages_of(dosed).words(pages_of(dosed).url("today"))
    assert "on hold: unwell" in words
    assert "41" not in words
    assert "grey" not in words


def test_no_values_and_no_arm_on_today(rested: Case, pages_of: PagesOf) -> None:
    text = pages_of(rested).text(pages_of(rested).url("today"), "clinician")
    for word in ("placebo", "Placebo", "active", "per minute", "mmHg"):
        assert word not in text


def test_cover_is_checked_in_and_out(booked: Case, pages_of: PagesOf) -> None:
    pages = pages_of(booked)
    assert "No dose can be given now." in pages.text(pages.url("today"))
    assert pages.url("cover") not in pages.text(pages.url("today"), "experimenter")
    assert pages.get(pages.url("cover"), "experimenter").status_code == 403
    refused = pages.post(
        pages.url("cover"), {"until": "2026-11-23T06:00", "whereabouts": "Room 2"}, "clinician"
    )
    assert refused.status_code == 422
    assert 'value="2026-11-23T06:00"' in refused.content.decode()
    assert (
        pages.post(
            pages.url("cover"), {"until": "2026-11-23T15:30", "whereabouts": "Room 2"}, "clinician"
        ).status_code
        == 302
    )
    text = pages.text(pages.url("today"), "clinician")
    assert "Milo Hartwell until <time" in text
    assert "15:30" in text
    assert pages.post(pages.url("cover_out"), {}, "clinician").status_code == 302
    assert "No dose can be given now." in pages.text(pages.url("today"))


def test_cover_stays_while_somebody_is_dosed(dosed: Case, pages_of: PagesOf) -> None:
    refused = pages_of(dosed).post(pages_of(dosed).url("cover_out"), {}, "clinician")
    assert refused.status_code == 422
    assert f"{dosed.participant.code} (" in refused.content.decode()


def test_overdue_contacts_come_first(rested: Case, pages_of: PagesOf) -> None:
    pages = pages_of(rested)
    rested.leave()
    rested.t = rested.dose.given_at + timedelta(hours=31)
    text = pages.text(pages.url("today"))
    assert "overdue</span>" in text
    assert pages.visit_url("contact_add", 2) in text


def _copies(case: Case, serials: range) -> None:
    """Put visits of other volunteers beside the case's own, under way and each with a hold."""
    with case.now():
        model = case.visit(1)
        for serial in serials:
            who = lab.make_participant(case.study, serial)
            series = Series.objects.create(
                participant=who,
                protocol_version=model.series.protocol_version,
                booked_at=clock.now(),
            )
            Visit.objects.create(
                series=series, participant=who, person=who.person, number=1,
                planned=span(model.planned.lower, model.planned.upper), state="running",
                started_at=clock.now(),
            )  # fmt: skip
            case.act(hold_open, participant=who, kind="other", reason="for the count")


def test_a_full_day_costs_no_more_queries_than_half_of_it(booked: Case, pages_of: PagesOf) -> None:
    """30 visits against 15: Today, what it asks for by itself, and the run sheet of one of them."""
    pages = pages_of(booked)
    booked.t = booked.visit(1).planned.lower
    addresses = [pages.url("today"), pages.url("today_rows"), pages.visit_url("visit", 1)]

    def queries() -> list[int]:
        counts = []
        for url in addresses:
            with CaptureQueriesContext(connection) as caught:
                pages.text(url)
            counts.append(len(caught))
        return counts

    _copies(booked, range(100, 114))
    queries()  # what is read once per process is read now
    half = queries()
    _copies(booked, range(200, 215))
    assert queries() == half
    assert pages.text(pages.url("today")).count('class="today-row') == 30
