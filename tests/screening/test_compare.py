"""What changed between two assessments, and limits changed after somebody's own measurement."""

from dataclasses import replace

import pytest

from screening.rules.after_the_fact import RULE_ID, after_the_fact
from screening.rules.compare import deciding, finding_changes, gaps_closed, gaps_opened
from screening.rules.vitals import VitalDecision
from studylab.studies.rules.limits import Band


def found(rule, said="yes", weight="physician"):
    return {"rule_id": rule, "concept": f"about {rule}", "said": said, "disposition": weight}


def test_nothing_changed():
    both = [found("C-01"), found("M-x", "drops")]
    assert finding_changes(both, both) == []


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        ([], [found("C-01")], [("new", "", "yes")]),
        ([found("C-01")], [], [("gone", "yes", "")]),
        ([found("C-01")], [found("C-01", weight="exclude")], [("stricter", "yes", "yes")]),
        ([found("C-01")], [found("C-01", weight="note")], [("milder", "yes", "yes")]),
        (
            [found("V-pulse-review", "58")],
            [found("V-pulse-review", "57")],
            [("reworded", "58", "57")],
        ),
        # Two medicines of one rule: the one that stayed is no change, the other is one change.
        (
            [found("M-1", "a"), found("M-1", "b")],
            [found("M-1", "b"), found("M-1", "c")],
            [("reworded", "a", "c")],
        ),
        (
            [found("M-1", "a"), found("M-1", "b")],
            [found("M-1", "b")],
            [("gone", "a", "")],
        ),
    ],
)
def test_differences(before, after, expected):
    assert [(c.what, c.before, c.after) for c in finding_changes(before, after)] == expected


def test_gaps():
    before, after = [{"rule_id": "V-pulse"}, {"rule_id": "C-01"}], [{"rule_id": "C-01"}]
    assert gaps_closed(before, after) == [{"rule_id": "V-pulse"}]
    assert gaps_opened(before, after) == []


def test_what_decides_is_what_has_the_weight_of_the_outcome():
    findings = [found("A", weight="exclude"), found("B"), found("C", weight="note")]
    assert deciding("exclude", findings) == findings[:1]
    assert deciding("physician", findings[1:]) == findings[1:2]
    assert deciding("clear", findings[2:]) == []
    assert deciding("cannot_decide", findings) == []


def _limits(limits, pulse_from):
    return replace(
        limits, screening=replace(limits.screening, pulse=Band(60, 100, pulse_from, 100, True))
    )


def test_f11_a_limit_lowered_after_the_measurement_marks_the_person(run, limits):
    """Field case F-11: resting pulse 47 on repeat, then the limit is lowered to 45."""
    slow = {"vitals": VitalDecision(111, 71, 47, (2, 3))}
    then, now = run(**slow, limits=limits), run(**slow, limits=_limits(limits, 45))
    assert (then.outcome, now.outcome) == ("exclude", "physician")
    (mark,) = after_the_fact(then, now)
    assert (mark.rule_id, mark.disposition) == (RULE_ID, "physician")
    assert mark.said.startswith("excluded by the limits of then by resting pulse 47")


def test_a_stricter_limit_is_noted_and_the_same_outcome_leaves_no_mark(run, limits):
    loose = _limits(limits, 50)
    fast = {"vitals": VitalDecision(111, 71, 55, (2, 3))}
    then, now = run(**fast, limits=loose), run(**fast, limits=_limits(limits, 58))
    assert (then.outcome, now.outcome) == ("physician", "exclude")
    assert [mark.disposition for mark in after_the_fact(then, now)] == ["note"]
    assert after_the_fact(then, then) == []
