"""The run sheet's rules: what is next, what is open, and a visit in one word."""

from datetime import UTC, datetime, timedelta
from itertools import product

import pytest

from scheduling.rules.sheet import (
    StepFact,
    carried_step,
    late_minutes,
    next_step,
    open_before,
    open_sentence,
    open_steps,
    short,
    step_states,
    steps_of_kind,
    visit_word,
)
from scheduling.rules.waits import WaitState, wait_state
from studylab.studies.rules.loader import load_protocol
from studylab.studies.rules.protocol import Step, VisitPlan, Wait
from tests.cast import DOCUMENTS

AT = datetime(2026, 3, 3, 14, tzinfo=UTC)
DONE, SKIPPED = StepFact(done=True), StepFact(skipped=True)


def step(key: str, *, required: bool = True) -> Step:
    return Step(key, "tick", f"Do {key}.", required=required)


PLAN = VisitPlan("visit1", 1, "T", (), (step("a"), step("b", required=False), step("c"), step("d")))


@pytest.mark.parametrize(
    ("facts", "states"),
    [
        ({}, "next later later later"),
        ({"a": DONE}, "done next later later"),
        ({"a": SKIPPED}, "skipped next later later"),
        ({"a": DONE, "c": DONE}, "done later done next"),  # the optional step was passed over
        ({"c": DONE}, "next later done later"),
        ({"a": DONE, "b": DONE, "c": DONE, "d": DONE}, "done done done done"),
        ({"a": StepFact(until=AT)}, "next later later later"),
    ],
)
def test_states(facts: dict[str, StepFact], states: str) -> None:
    assert list(step_states(PLAN, facts).values()) == states.split()


def test_there_is_at_most_one_next_step_whatever_is_settled() -> None:
    for kinds in product((StepFact(), DONE, SKIPPED), repeat=4):
        facts = dict(zip("abcd", kinds, strict=True))
        states = list(step_states(PLAN, facts).values())
        required_open = open_steps(PLAN, facts)
        assert states.count("next") <= 1
        assert (next_step(PLAN, facts) is not None) >= bool(required_open)
        if required_open and next_step(PLAN, facts) not in required_open:
            assert next_step(PLAN, facts) == PLAN.step("b")


def test_open_before_names_required_steps_only() -> None:
    assert [s.key for s in open_before(PLAN, "d", {})] == ["a", "c"]
    assert [s.key for s in open_before(PLAN, "d", {"a": SKIPPED, "c": DONE})] == []
    assert [s.key for s in open_before(PLAN, "a", {})] == []
    with pytest.raises(KeyError):
        open_before(PLAN, "z", {})


def test_a_visit_can_be_finished_without_optional_steps() -> None:
    facts = {"a": DONE, "c": SKIPPED, "d": DONE}
    assert open_steps(PLAN, facts) == ()
    assert [s.key for s in open_steps(PLAN, {"a": DONE})] == ["c", "d"]


def test_words_of_open_steps() -> None:
    assert open_sentence(PLAN.step("a"), {}) == "“Do a” is not recorded."
    assert "still running" in open_sentence(PLAN.step("a"), {"a": StepFact(until=AT)})
    long = Step("x", "read_aloud", "word " * 40)
    assert len(short(long)) < 75
    assert short(long).endswith("…")


def test_the_demo_document_carries_the_distance() -> None:
    protocol = load_protocol((DOCUMENTS / "demo.toml").read_text(encoding="utf-8"))
    found = carried_step(protocol, "screen_distance")
    assert found is not None
    assert (found[0].number, found[1].unit) == (1, "cm")
    assert carried_step(protocol, "rating_moved") is None
    assert [s.key for s in steps_of_kind(protocol.dosing_visit, "vitals")] == [
        "pre_dose", "post_dose", "leave_vitals",
    ]  # fmt: skip


def waiting(minutes: int) -> WaitState:
    wait = Wait("visit2", "dose", "post_dose", timedelta(minutes=90), timedelta(minutes=15))
    return wait_state(AT - timedelta(minutes=minutes), wait, AT)


@pytest.mark.parametrize(
    ("state", "held", "wait", "word"),
    [
        ("running", False, None, "under way"),
        ("running", True, None, "on hold"),
        ("running", True, waiting(20), "on hold"),
        ("running", False, waiting(89), "waiting"),
        ("running", False, waiting(90), "check due"),
        ("running", False, waiting(200), "check due"),
        ("done", True, None, "done"),
        ("stopped", True, waiting(20), "stopped early"),
        ("missed", False, None, "missed"),
        ("cancelled", False, None, "cancelled"),
        ("booked", True, None, "due"),
    ],
)
def test_word(state: str, held: bool, wait: WaitState | None, word: str) -> None:
    assert visit_word(state=state, planned_start=AT, at=AT, held=held, wait=wait) == word


def test_a_booked_visit_is_late_from_the_first_whole_minute() -> None:
    def word(seconds: int) -> str:
        at = AT + timedelta(seconds=seconds)
        return visit_word(state="booked", planned_start=AT, at=at, held=False, wait=None)

    assert (word(-1), word(59), word(60)) == ("due", "due", "late")
    assert late_minutes(AT, AT - timedelta(hours=1)) == 0
    assert late_minutes(AT, AT + timedelta(minutes=7, seconds=59)) == 7
