"""Steps: in order or with a deviation, once however often they are sent, corrected and never overwritten."""

from datetime import timedelta
from uuid import uuid4

import pytest

from scheduling.models import StepRecord
from scheduling.selectors.sheet import carried_values, sheet_of
from scheduling.services.steps import step_correct, step_skip
from studylab.errors import Conflict, Refused, RefusedWithReasons
from studylab.participants.models import Deviation
from tests.allocation.raw_sql import refused_by_database
from tests.scheduling.sheet.builder import MINUTE, Case
from tests.scheduling.sheet.values import SEEN

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def states(case: Case, number: int = 1) -> dict[str, str]:
    with case.now():
        return {row.step.key: row.state for row in sheet_of(case.visit(number), case.t).steps}


def test_steps_are_worked_through_in_order(first: Case) -> None:
    assert states(first)["identity"] == "next"
    record = first.step(1, "identity", SEEN)
    assert record.value == {"identifiers": ["name", "birth date"], "document": "passport"}
    assert (record.recorded_by, record.occurred_at) == (first.users["experimenter"], first.t)
    assert states(first)["identity"] == "done"
    assert states(first)["welcome"] == "next"


def test_out_of_order_needs_a_reason_and_is_a_deviation(first: Case) -> None:
    with pytest.raises(RefusedWithReasons) as refused:
        first.step(1, "welcome", {"done": True})
    assert refused.value.code == "out_of_order"
    assert not StepRecord.objects.exists()
    record = first.step(1, "welcome", {"done": True}, deviation_reason="Papers were upstairs.")
    assert record.deviation is not None
    assert (record.deviation.kind, record.deviation.subject) == ("step", "visit 1, step welcome")
    assert record.deviation.explanation == "Papers were upstairs."
    first.step(1, "identity", SEEN)  # what is late is not out of order again
    assert Deviation.objects.count() == 1


def test_bad_values_are_refused_at_their_field(first: Case) -> None:
    with pytest.raises(Refused) as refused:
        first.step(1, "identity", {"identifiers": ["name"], "document": "passport"})
    assert refused.value.field == "identifiers"
    first.fill(1, until="screen_distance")
    with pytest.raises(Refused, match="at most 100 cm") as refused:
        first.step(1, "screen_distance", {"value": 101})
    assert refused.value.field == "value"
    with pytest.raises(Refused, match="no such step"):
        first.step(1, "dose", {"done": True})


def test_times_lie_between_the_start_of_the_visit_and_now(first: Case) -> None:
    for at in (first.t + MINUTE, first.t - MINUTE, first.t.replace(tzinfo=None)):
        with pytest.raises(Refused) as refused:
            first.step(1, "identity", SEEN, occurred_at=at)
        assert refused.value.field == "occurred_at"


def test_the_tablets_own_time_is_kept_beside_the_servers(first: Case) -> None:
    wrong = first.t + timedelta(minutes=7)
    record = first.step(1, "identity", SEEN, device_at=wrong)
    assert (record.device_at, record.recorded_at) == (wrong, first.t)


def test_the_same_act_sent_twice_is_recorded_once(first: Case) -> None:
    client_id = uuid4()
    record = first.step(1, "identity", SEEN, client_id=client_id)
    first.forward(5)
    assert first.step(1, "identity", SEEN, client_id=client_id) == record
    with pytest.raises(Conflict, match="with something else in it"):
        first.step(1, "identity", {**SEEN, "document": "identity card"}, client_id=client_id)
    with pytest.raises(Conflict, match="Somebody else sent"):
        first.step(1, "identity", SEEN, client_id=client_id, role="second")
    assert StepRecord.objects.count() == 1
    with pytest.raises(Conflict, match="another step"):
        first.step(1, "welcome", {"done": True}, client_id=client_id)


def test_it_is_returned_after_the_visit_has_ended_too(first: Case) -> None:
    client_id = uuid4()
    record = first.step(1, "identity", SEEN, client_id=client_id)
    first.fill(1)
    first.finish(1)
    assert first.step(1, "identity", SEEN, client_id=client_id) == record
    with pytest.raises(Conflict, match="not under way"):
        first.step(1, "note", {"value": "late"})


def test_two_people_recording_one_step_are_a_conflict(first: Case) -> None:
    first.step(1, "identity", SEEN)
    with pytest.raises(Conflict, match="recorded already"):
        first.step(1, "identity", SEEN)


def test_a_timer_holds_the_next_step_until_it_has_run_out(first: Case) -> None:
    first.fill(1, until="quiet_break")
    first.step(1, "quiet_break", {"started_at": first.t.isoformat()})
    first.forward(4.9)
    row = next(r for r in sheet_of(first.visit(1), first.t).steps if r.step.key == "quiet_break")
    assert (row.state, row.until) == ("next", first.t + 0.1 * MINUTE)
    with pytest.raises(RefusedWithReasons) as refused:
        first.step(1, "rating_moved", {"value": 5})
    assert "still running" in refused.value.reasons[0]
    first.forward(0.1)
    assert first.step(1, "rating_moved", {"value": 5}).deviation is None


def test_a_required_step_is_skipped_with_a_reason_and_may_be_done_after_all(first: Case) -> None:
    first.step(1, "identity", SEEN)
    with pytest.raises(Refused, match="Say why"):
        first.act(step_skip, visit=first.visit(1), step_key="welcome", reason="")
    skipped = first.act(step_skip, visit=first.visit(1), step_key="welcome", reason="In a hurry.")
    assert states(first)["welcome"] == "skipped"
    assert skipped.deviation.explanation == "In a hurry."
    again = first.act(step_skip, visit=first.visit(1), step_key="welcome", reason="Again.")
    assert again == skipped
    done = first.step(1, "welcome", {"done": True})
    assert done.supersedes == skipped
    assert states(first)["welcome"] == "done"
    with pytest.raises(Conflict, match="recorded already"):
        first.act(step_skip, visit=first.visit(1), step_key="welcome", reason="No.")


def test_an_optional_step_is_left_out_without_a_deviation(first: Case) -> None:
    first.act(step_skip, visit=first.visit(1), step_key="note", reason="Nothing to say.")
    assert not Deviation.objects.exists()


@pytest.mark.parametrize("key", ["identity", "dose", "leave"])
def test_some_steps_are_never_skipped(booked: Case, key: str) -> None:
    booked.visit_one()
    booked.start(2)
    with pytest.raises(Refused, match="cannot be skipped"):
        booked.act(step_skip, visit=booked.visit(2), step_key=key, reason="No time.")


@pytest.mark.parametrize("key", ["today", "pre_dose", "dose", "leave"])
def test_steps_with_their_own_page_are_not_ticked_here(booked: Case, key: str) -> None:
    booked.visit_one()
    booked.start(2)
    with pytest.raises(Refused, match=r"page|check"):
        booked.step(2, key, {"done": True})


def test_a_correction_keeps_the_old_record(first: Case) -> None:
    first.fill(1, until="story_words")
    old = StepRecord.objects.get(step="screen_distance")
    new = first.act(
        step_correct, record=old, value={"value": "62"}, occurred_at=old.occurred_at,
        reason="Read the tape wrongly.",
    )  # fmt: skip
    assert (new.value, new.supersedes, new.reason) == (
        {"value": 62.0}, old, "Read the tape wrongly.",
    )  # fmt: skip
    assert StepRecord.objects.get(pk=old.pk).value == {"value": 100.0}
    with pytest.raises(Conflict, match="meanwhile"):
        first.act(
            step_correct, record=old, value={"value": 63}, occurred_at=old.occurred_at, reason="x"
        )
    with pytest.raises(Refused, match="Say why"):
        first.act(
            step_correct, record=new, value={"value": 63}, occurred_at=old.occurred_at, reason=""
        )


def test_a_carried_value_is_shown_later_and_correcting_it_then_is_a_deviation(booked: Case) -> None:
    booked.visit_one()
    assert carried_values(booked.participant)["screen_distance"].words == "100 cm"
    record = StepRecord.objects.get(step="screen_distance")
    fix = {"record": record, "occurred_at": record.occurred_at, "reason": "Typed wrongly."}
    new = booked.act(step_correct, value={"value": 70}, **fix)
    assert new.deviation is None
    assert carried_values(booked.participant)["screen_distance"].words == "70 cm"
    booked.start(2)
    newer = booked.act(step_correct, value={"value": 71}, **{**fix, "record": new})
    assert newer.deviation is not None
    assert "later visit" in newer.deviation.what


def test_the_open_level_is_shown_where_the_document_says_so(first: Case) -> None:
    with first.now():
        rows = {row.step.key: row.shown for row in sheet_of(first.visit(1), first.t).steps}
    assert rows["story_words"] in ("harbour story", "station story")
    assert rows["story_words"] == rows["story_shown"]
    assert rows["welcome"] == ""


def test_sql_refuses_changed_records_and_two_first_ones(first: Case) -> None:
    record = first.step(1, "identity", SEEN)
    refused_by_database("UPDATE scheduling_steprecord SET step = 'x' WHERE id = %s", record.pk)
    refused_by_database("DELETE FROM scheduling_steprecord WHERE id = %s", record.pk)
    refused_by_database(
        """INSERT INTO scheduling_steprecord (visit_id, participant_id, step, value, skipped,
           occurred_at, recorded_at, client_id, reason)
           VALUES (%s, %s, 'identity', '{}', false, %s, %s, gen_random_uuid(), '')""",
        record.visit_id, record.participant_id, first.t, first.t, says="step_once",
    )  # fmt: skip
