"""A work-up on the run sheet: one level at a time, kept for the series, and nothing without a level."""

import csv
import io
from pathlib import Path
from uuid import uuid4

import pytest

from scheduling.models import StepRecord
from scheduling.selectors.sheet import carried_values, sheet_of
from scheduling.services.steps import step_correct, step_skip
from studylab.allocation.selectors import open_levels
from studylab.errors import Conflict, Refused
from tests import cast
from tests.scheduling.pages.conftest import Pages
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db, pytest.mark.database]

NUMBER = """kind = "number", text = "Seat the volunteer and measure from eyes to screen.", unit = "cm", minimum = 40, maximum = 100,"""
WORK_UP = """kind = "work_up", text = "Find the level.", unit = "mA", first = 1, rise_from = 2, rise_to = 3, maximum = 10, \
options = ["felt", "unpleasant", "painful"], stop_at = "unpleasant", too_much = ["painful"],"""
ORDERS = """trial_orders = [{ key = "run", name = "Run", longest_run = 2, probes_alone = 1, types = [
    { key = "told", name = "Told", count = 4, followed = 3, factor = "story" },
    { key = "other", name = "Other", count = 4, factor = "story", other_level = true }] }]"""


@pytest.fixture
def at_work_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, db: None) -> Case:
    """The slide-story study with a work-up in place of its measured distance, at that step of visit 1."""
    text = (cast.DOCUMENTS / "demo.toml").read_text(encoding="utf-8")
    assert NUMBER in text
    work_up = WORK_UP.replace("\\\n", "")
    rating = 'key = "rating_moved", kind = "number",'
    text = text.replace(NUMBER, work_up).replace(rating, f'{rating} shows = "screen_distance",')
    text = text.replace('key = "story_shown",', 'key = "story_shown", trials = "run",')
    text = text.replace("payment = 30\n", f"payment = 30\n{ORDERS}\n", 1)
    (tmp_path / "demo.toml").write_text(text, encoding="utf-8")
    monkeypatch.setattr(cast, "DOCUMENTS", tmp_path)
    case = Case()
    case.prepare_study()
    case.screen()
    case.book()
    case.start(1)
    case.fill(1, until="screen_distance")
    return case


def rung(case: Case, number: int, level: float, rating: str) -> StepRecord:
    case.forward(1)
    return case.step(1, "screen_distance", {"rung": number, "level": level, "rating": rating})


def state(case: Case) -> str:
    with case.now():
        rows = sheet_of(case.visit(1), case.t).steps
    return next(row.state for row in rows if row.step.key == "screen_distance")


def test_level_by_level_until_it_is_found_and_then_locked(at_work_up: Case) -> None:
    case = at_work_up
    rung(case, 1, 1, "felt")
    assert state(case) == "next"
    with pytest.raises(Refused, match="too big a step") as refused:
        rung(case, 2, 5, "unpleasant")
    assert refused.value.field == "level"
    with pytest.raises(Conflict, match="Somebody else recorded this level"):
        rung(case, 1, 1, "felt")
    assert not carried_values(case.participant)
    found = rung(case, 2, 4, "unpleasant")
    assert state(case) == "done"
    assert carried_values(case.participant)["screen_distance"].words == "4 mA"
    with pytest.raises(Conflict, match="recorded already"):
        rung(case, 3, 7, "felt")
    # Every level stays on record with who and when; the last record stands.
    rows = StepRecord.objects.filter(step="screen_distance").order_by("id")
    assert [len(row.value["levels"]) for row in rows] == [1, 2]
    with case.now():
        again = step_correct(
            record=found, value={"rung": 2, "level": 3, "rating": "unpleasant"}, occurred_at=case.t,
            reason="Misread the dial.", actor=case.actor(),
        )  # fmt: skip
    assert again.value["value"] == 3
    assert again.supersedes == found


def test_one_act_sent_twice_is_one_level(at_work_up: Case) -> None:
    case, act = at_work_up, uuid4()
    value = {"rung": 1, "level": 1, "rating": "felt"}
    one = case.step(1, "screen_distance", value, client_id=act)
    assert case.step(1, "screen_distance", value, client_id=act) == one


def test_without_a_level_nothing_that_needs_one_is_done(at_work_up: Case) -> None:
    case = at_work_up
    rung(case, 1, 1, "painful")
    assert state(case) == "done"
    case.fill(1, until="rating_moved")
    with pytest.raises(Refused, match="found no level") as refused:
        case.step(1, "rating_moved", {"value": 3})
    assert refused.value.code == "level_missing"


def test_a_work_up_that_was_begun_can_be_left_out(at_work_up: Case) -> None:
    case = at_work_up
    rung(case, 1, 1, "felt")
    with case.now():
        gone = step_skip(
            visit=case.visit(1), step_key="screen_distance", reason="The device failed.",
            actor=case.actor(),
        )  # fmt: skip
    assert gone.deviation is not None
    assert state(case) == "skipped"


def test_the_sheet_shows_the_levels_and_what_may_come_next(at_work_up: Case) -> None:
    pages = Pages(at_work_up)
    sent = pages.record(1, "screen_distance", rung="1", level="1", rating="felt")
    assert sent.status_code == 302
    page = pages.text(pages.visit_url("visit", 1))
    assert "Next: <b>3 to 4 mA</b>" in page
    jump = pages.record(1, "screen_distance", rung="2", level="6", rating="felt")
    assert jump.status_code == 422
    assert "at most 4 mA comes next" in jump.content.decode()
    pages.record(1, "screen_distance", rung="2", level="4", rating="painful")
    assert "No level was found." in pages.text(pages.visit_url("visit", 1))


def test_the_order_of_trials_is_shown_and_downloaded_the_same(at_work_up: Case) -> None:
    pages = Pages(at_work_up)
    page = pages.text(pages.visit_url("trials", 1, "run"))
    assert page.count("Probe alone") == 1
    first, again = (pages.text(pages.visit_url("trials_file", 1, "run")) for _ in range(2))
    assert first == again
    rows = list(csv.DictReader(io.StringIO(first)))
    assert len(rows) == 9
    assert sum(row["followed by stimulus"] == "yes" for row in rows) == 3
    level = open_levels(at_work_up.participant)["story"]
    assert {row["shows"] for row in rows if row["type"] == "told"} == {level}
    assert pages.get(pages.visit_url("trials", 1, "nothing")).status_code == 404
