"""How long contact details are kept (field case F-67)."""

from datetime import date

import pytest

from studylab.studies.rules.retention import RetentionRule, keeping

CLOSED = date(2026, 12, 1)
TWO = RetentionRule("Two years after marketing", 2, "marketing_decision")
LAW = RetentionRule("Local law", 25, "study_closed")
TODAY = date(2028, 12, 2)


def test_an_unknown_event_means_keep_and_is_named() -> None:
    found = keeping((LAW, TWO), {"study_closed": CLOSED}, TODAY)
    assert (found.kept, found.until) == (True, None)
    assert "Two years after marketing" in found.why
    assert "no date is known" in found.why


@pytest.mark.shows("D-09")
def test_the_longest_rule_wins_and_is_named() -> None:
    happened = {"study_closed": CLOSED, "marketing_decision": date(2026, 12, 1)}
    found = keeping((TWO, LAW), happened, TODAY)
    assert (found.kept, found.until) == (True, date(2051, 12, 1))
    assert found.why.startswith("Local law: 25 years")
    assert keeping((TWO, LAW), happened, date(2051, 12, 1)).kept
    assert not keeping((TWO, LAW), happened, date(2051, 12, 2)).kept


def test_no_rule_keeps_and_a_leap_day_is_never_short() -> None:
    assert keeping((), {"study_closed": CLOSED}, date(2999, 1, 1)).kept
    leap = keeping((RetentionRule("One year", 1, "study_closed"),), {"study_closed": date(2024, 2, 29)}, TODAY)  # fmt: skip
    assert leap.until == date(2025, 3, 1)
