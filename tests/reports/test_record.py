"""The record: found by person, actor, action and day; paged; and as a file that does no harm."""

import csv
import io
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.urls import reverse

from studylab import clock
from studylab.access import Actor, Role
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.management.demo.cast import volunteer_name
from studylab.participants.services import consent_correct, participant_withdraw
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol
from tests import cast
from tests.access.world import World
from tests.participants.people import add, give_consent
from tests.reports.conftest import client_for

pytestmark = [pytest.mark.django_db, pytest.mark.database]
MONDAY = datetime(2026, 11, 23, 11, tzinfo=UTC)


def note(actor: Actor, action: Action = Action.HOLD_OPENED, code: str = "HB-00001X", at: Any = MONDAY,
         **more: Any) -> None:  # fmt: skip
    with clock.travel(at):
        audit(
            actor=actor, action=action, subject_type="hold", subject_code="1",
            participant_code=code, **more,
        )  # fmt: skip


@pytest.fixture
def actors(study: Any, coordinator: Any, clinician: Any) -> tuple[Actor, Actor]:
    """Two people who do things."""
    return cast.actor_of(coordinator, study), cast.actor_of(clinician, study)


@pytest.fixture
def ask(study: Any, confirmed: Any, monitor: Any) -> Any:
    """Return what finds volunteers' codes by a search, newest first."""
    client = client_for(monitor)

    def find(name: str = "record_download", status: int = 200, **search: str) -> Any:
        answer = client.get(reverse(name, args=[study.slug]), search)
        assert answer.status_code == status
        if name == "record":
            return answer.content.decode()
        text = b"".join(answer.streaming_content).decode()
        rows = (line for line in io.StringIO(text) if not line.startswith("# "))
        return list(csv.DictReader(rows))

    return find


def held(rows: Any) -> list[str]:
    return [row["volunteer"] for row in rows if row["about"] == "hold 1"]


def test_search_by_volunteer_actor_action_and_reason_together(actors: Any, ask: Any) -> None:
    first, second = actors
    note(first, code="HB-00001X")
    note(second, code="HB-00002Y")
    note(second, code="HB-00003Z", action=Action.HOLD_RELEASED)
    assert held(ask()) == ["HB-00001X", "HB-00002Y", "HB-00003Z"]
    assert held(ask(code="hb-00002y ")) == ["HB-00002Y"]
    assert held(ask(who="lindqvist")) == ["HB-00001X"]
    assert held(ask(action="hold.released")) == ["HB-00003Z"]
    assert held(ask(who="Hartwell", action="hold.opened")) == ["HB-00002Y"]
    assert held(ask(code="HB-00001X", who="Hartwell")) == []
    page = ask("record", code="HB-00002Y")
    assert page.count("HB-00002Y</a>") == 1
    assert "HB-00001X" not in page
    assert "Nothing in the record fits this search." in ask("record", code="HB-9")


def test_days_are_the_days_of_the_study_with_both_edges(actors: Any, ask: Any) -> None:
    """Halifax is four hours behind UTC in November: 03:59 UTC on the 24th is still the 23rd there."""
    for code, at in (
        ("last of 22", datetime(2026, 11, 23, 3, 59, 59, tzinfo=UTC)),
        ("first of 23", datetime(2026, 11, 23, 4, 0, tzinfo=UTC)),
        ("last of 23", datetime(2026, 11, 24, 3, 59, 59, tzinfo=UTC)),
        ("first of 24", datetime(2026, 11, 24, 4, 0, tzinfo=UTC)),
    ):
        note(actors[0], code=code, at=at)
    day = "2026-11-23"
    assert held(ask(first=day, last=day)) == ["first of 23", "last of 23"]
    assert held(ask(first=day)) == ["first of 23", "last of 23", "first of 24"]
    assert held(ask(last=day, action="hold.opened")) == ["last of 22", "first of 23", "last of 23"]


@pytest.mark.parametrize(
    ("search", "words"),
    [
        ({"first": "yesterday"}, "Give the day as year-month-day"),
        ({"first": "2026-11-24", "last": "2026-11-23"}, "This day is before the first day."),
        ({"action": "rm"}, "Select a valid choice"),
    ],
)
def test_wrong_input_finds_nothing_says_why_and_stays(
    actors: Any, ask: Any, search: dict[str, str], words: str
) -> None:
    note(actors[0])
    page = ask("record", status=422, **search, who="Cora")
    assert words in page
    assert "HB-00001X" not in page
    assert 'value="Cora"' in page


def test_a_wrong_search_downloads_no_file(ask: Any, study: Any, monitor: Any) -> None:
    answer = client_for(monitor).get(reverse("record_download", args=[study.slug]), {"first": "x"})
    assert answer.status_code == 422
    assert answer["Content-Type"].startswith("text/html")


def test_pages_keep_the_search(actors: Any, ask: Any) -> None:
    for number in range(55):
        note(actors[0], code=f"HB-{number:05d}")
    note(actors[1], code="other")
    first, second = (ask("record", who="Cora", page=number) for number in ("1", "2"))
    assert "Page 1 of 2" in first
    assert "who=Cora" in first[first.index('rel="next"') :][:200]
    assert "HB-00054" in first
    assert "HB-00000" not in first
    assert "HB-00000" in second
    assert "other" not in held(ask(who="Cora"))
    assert "Page 2 of 2" in ask("record", who="Cora", page="99")


# What spreadsheet programs take for a formula: OWASP, "CSV Injection" (from memory).
@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n", " =", "＝"])
def test_no_cell_begins_a_formula(actors: Any, ask: Any, start: str) -> None:
    note(actors[0], reason=f'{start}HYPERLINK("x")')
    (row,) = [row for row in ask() if row["about"] == "hold 1"]
    assert row["reason"].startswith("'")
    assert "HYPERLINK" in row["reason"]


def test_a_cell_holds_no_control_character(actors: Any, ask: Any) -> None:
    note(actors[0], reason="a\x07b", data={"why": "é"})
    (row,) = [row for row in ask() if row["about"] == "hold 1"]
    assert row["reason"] == "ab"
    assert row["details"] == '{"why": "é"}'


def test_another_study_stays_apart(actors: Any, ask: Any, outsider: Any) -> None:
    other = Study.objects.get(slug="other-study")
    note(cast.actor_of(outsider, other), code="TR-1")
    assert "TR-1" not in held(ask())


def test_the_whole_record_names_no_volunteer_and_no_arm(world: World) -> None:
    """The demonstration's story goes through every service; its file holds codes only."""
    with clock.travel(world.now):
        client = client_for(world.people[Role.MONITOR])
        answer = client.get(reverse("record_download", args=[world.study.slug]))
        text = b"".join(answer.streaming_content).decode()
    assert text.count("\r\n") > 200
    arms = [arm.name for arm in current_protocol(world.study).plan.allocation.arms]
    names = [part for index in range(16) for part in volunteer_name(index)]
    assert [word for word in (*arms, *names) if word in text] == []
    assert world.participants[0].code in text


def test_search_by_record_and_by_time_of_day(actors: Any, ask: Any) -> None:
    """Halifax is four hours behind UTC in November: 11:00 UTC is 07:00 there, and the minute named counts in."""
    for minute in (0, 30, 59):
        note(actors[0], code=f"HB-{minute}", at=MONDAY.replace(minute=minute))
    day = {"first": "2026-11-23", "last": "2026-11-23"}
    assert held(ask(**day, first_time="07:30")) == ["HB-30", "HB-59"]
    assert held(ask(**day, last_time="07:30")) == ["HB-0", "HB-30"]
    assert held(ask(about="hold", code="HB-30")) == ["HB-30"]
    assert held(ask(about="visit")) == []
    for wrong, words in (
        ({"first_time": "07:30"}, "Give the day that this time belongs to."),
        (
            {**day, "first_time": "08:00", "last_time": "07:00"},
            "This time is before the first one.",
        ),
        ({"first_time": "25:00"}, "Give the time as hours and minutes"),
    ):
        assert words in ask("record", status=422, **wrong)


@pytest.mark.django_db(
    transaction=True
)  # the history names the request of an outermost transaction
@pytest.mark.shows("A-01", "A-02", "A-07")
def test_old_and_new_values_stand_beside_the_act(
    study: Any, confirmed: Any, ask: Any, actors: Any
) -> None:
    """A row that changed, and a correction that is a row of its own; nothing of an act that changed nothing."""
    coordinator = actors[0]
    with clock.travel((clock.now() + timedelta(days=1)).replace(hour=18)):  # one day in every zone
        who = add(coordinator, study)
        consent = give_consent(coordinator, who, clock.now() - timedelta(hours=2))
        consent_correct(
            consent=consent, reason="Wrong minute", signed_at=consent.signed_at - timedelta(minutes=5), actor=coordinator,
            staff_signed_at=consent.staff_signed_at, written_on=consent.signed_at.astimezone(study.zone).date(),
        )  # fmt: skip
        participant_withdraw(
            participant=who, reason="Moves away", actor=replace(coordinator, request_id=uuid4())
        )
    rows = {row["did"]: row["old and new values"] for row in ask(code=who.code)}
    assert "active, or how the path ended: “active” → “withdrawn”" in rows["recorded a withdrawal"]
    corrected = rows["corrected a consent"]
    assert corrected.startswith("when the volunteer gave it: “")
    assert "took it down" not in corrected
    assert rows["added a volunteer"] == ""
    page = ask("record", code=who.code)
    assert "<del>active</del> → <ins>withdrawn</ins>" in page
