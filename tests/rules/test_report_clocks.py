"""Reporting clocks against dates worked out by hand.

ICH E2A and EU 536/2014 Art. 41(2), 42: 24 hours for any serious event, 7 days for a fatal or life-threatening suspected
unexpected one with 8 more for the follow-up, 15 for another; UK SI 2004/1031 reg. 34: day 1 is the day after awareness
(read). Serious breach: UK guidance 2026, seven days from the first awareness.
"""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studylab.participants.rules.breach import Verdict, breach_knowledge, may_be_breach
from studylab.participants.rules.events import Told, after_dose, is_suspected, misfits
from studylab.participants.rules.report_clocks import Due, Knowledge, Sent, deadline, reports_due
from studylab.studies.rules.safety import ReportRule

RULES = (
    ReportRule("sponsor", "Sponsor", "serious", 24, None),
    ReportRule("fatal", "Authority", "suspected_fatal", None, 7, follow_up_days=8),
    ReportRule("other", "Authority", "suspected_other", None, 15),
    ReportRule("always", "Sponsor", "always", 24, None),
    ReportRule("breach", "Authority", "serious_breach", None, 7),
)
HALIFAX = ZoneInfo("America/Halifax")
UTC_ZONE = ZoneInfo("UTC")
AWARE = datetime(2026, 3, 1, 23, 30, tzinfo=UTC)
SERIOUS = Knowledge(AWARE, frozenset({"hospital"}), expected=False, after_dose=True)


def due(
    *known: Knowledge,
    suspected: bool = True,
    sent: tuple[Sent, ...] = (),
    zone: ZoneInfo = UTC_ZONE,
    at: datetime = AWARE,
    rules: tuple[ReportRule, ...] = RULES,
) -> dict[tuple[str, str], Due]:
    found = reports_due(rules, known, suspected=suspected, sent=sent, zone=zone, at=at)
    return {(one.rule, one.part): one for one in found}


def test_t1_a_serious_event_is_told_within_24_hours_exactly() -> None:
    assert due(SERIOUS)["sponsor", "first"].due_by == datetime(2026, 3, 2, 23, 30, tzinfo=UTC)


def test_t2_fatal_suspected_unexpected_in_seven_days_and_eight_more() -> None:
    known = replace(SERIOUS, criteria=frozenset({"death"}), aware_at=datetime(2026, 3, 1, 9, tzinfo=UTC))  # fmt: skip
    found = due(known)
    assert found["fatal", "first"].last_day == date(2026, 3, 8)
    assert found["fatal", "follow_up"].last_day == date(2026, 3, 16)
    assert found["fatal", "first"].due_by == datetime(2026, 3, 9, tzinfo=UTC)  # the end of the 8th
    assert ("other", "first") not in found


def test_t3_other_suspected_unexpected_in_fifteen_days() -> None:
    found = due(replace(SERIOUS, aware_at=datetime(2026, 2, 20, 9, tzinfo=UTC)))
    assert found["other", "first"].last_day == date(2026, 3, 7)
    assert ("fatal", "first") not in found


@pytest.mark.parametrize(
    ("known", "suspected"),
    [
        (replace(SERIOUS, expected=True), True),  # T4
        (SERIOUS, False),  # T5
    ],
)
def test_t4_t5_expected_or_not_related_keeps_the_24_hours_only(
    known: Knowledge, suspected: bool
) -> None:
    assert set(due(known, suspected=suspected)) == {("sponsor", "first")}


def test_t6_before_a_dose_nothing_is_due_unless_the_document_says_so() -> None:
    before = replace(SERIOUS, after_dose=False)
    assert due(before) == {}
    asked = (replace(RULES[0], before_dose=True), *RULES[1:])
    assert set(due(before, rules=asked)) == {("sponsor", "first")}


def test_what_is_always_reported_needs_no_harm() -> None:
    """EU 536/2014 Annex III para 2: errors and pregnancies, even without an adverse event."""
    known = Knowledge(AWARE, frozenset(), expected=False, after_dose=False, always=True)
    assert set(due(known)) == {("always", "first")}


def test_the_authoritys_day_ends_in_its_own_zone() -> None:
    """23:30 UTC is still 19:30 of the same day in Halifax; its 8 March ends at 03:00 UTC, one hour less winter time."""
    grave = replace(SERIOUS, criteria=frozenset({"life"}))
    found = due(grave, zone=HALIFAX)["fatal", "first"]
    assert found.last_day == date(2026, 3, 8)
    assert found.due_by == datetime(2026, 3, 9, 3, tzinfo=UTC)  # clocks went forward on 8 March
    late = replace(grave, aware_at=datetime(2026, 3, 2, 2, tzinfo=UTC))
    assert due(late, zone=HALIFAX)["fatal", "first"].last_day == date(2026, 3, 8)
    assert due(late)["fatal", "first"].last_day == date(2026, 3, 9)


def test_a_clock_runs_from_when_it_became_serious_and_no_judgement_delays_it() -> None:
    mild = replace(SERIOUS, criteria=frozenset())
    worse = replace(SERIOUS, aware_at=AWARE + timedelta(days=4))
    found = due(mild, worse, replace(worse, aware_at=AWARE + timedelta(days=9)))
    assert found["sponsor", "first"].aware_at == worse.aware_at
    assert found["other", "first"].aware_at == worse.aware_at


def test_overdue_until_sent_red_until_received_and_late_for_ever() -> None:
    after = AWARE + timedelta(hours=24, seconds=1)
    at_last = AWARE + timedelta(hours=24)
    assert due(SERIOUS, at=at_last)["sponsor", "first"].state == "open"
    assert due(SERIOUS, at=after)["sponsor", "first"].state == "overdue"
    sent = Sent("sponsor", "first", after, "")
    found = due(SERIOUS, sent=(sent,), at=after)["sponsor", "first"]
    assert (found.state, found.owed, found.late) == ("sent", True, True)
    received = due(SERIOUS, sent=(replace(sent, receipt="R-12"),), at=after)["sponsor", "first"]
    assert (received.state, received.owed, received.late) == ("received", False, True)


def test_a_report_that_was_sent_stays_listed_when_it_is_no_longer_due() -> None:
    sent = Sent("other", "first", AWARE, "R-1")
    assert due(SERIOUS, suspected=False, sent=(sent,))["other", "first"].receipt == "R-1"


def test_f65_the_breach_clock_counts_from_the_first_awareness() -> None:
    """Recorded on Tuesday, read on Thursday, judged on Monday: the last day is Tuesday a week later."""
    tuesday = datetime(2026, 12, 1, 15, tzinfo=UTC)
    monday = [Verdict(True, tuesday + timedelta(days=6))]
    asked = {"asked": True, "answer": "maybe", "aware_at": tuesday}
    for verdicts in ([], monday):
        known = breach_knowledge(**asked, verdicts=verdicts, counted="first_aware")  # type: ignore[arg-type]
        assert due(*known)["breach", "first"].last_day == date(2026, 12, 8)
    judged = breach_knowledge(**asked, verdicts=monday, counted="judged")  # type: ignore[arg-type]
    assert due(*judged)["breach", "first"].last_day == date(2026, 12, 14)


@pytest.mark.parametrize(
    ("asked", "answer", "verdicts", "wanted"),
    [
        (True, "", [], True),  # asked and not answered is no "no"
        (True, "no", [], False),
        (False, "", [], False),
        (False, "yes", [], True),
        (True, "maybe", [Verdict(False, AWARE)], False),
        (True, "no", [Verdict(False, AWARE), Verdict(True, AWARE)], True),
    ],
)
def test_whether_it_may_be_a_serious_breach(
    asked: bool, answer: str, verdicts: list[Verdict], wanted: bool
) -> None:
    assert may_be_breach(asked, answer, verdicts) is wanted


@given(st.integers(0, 3000), st.integers(1, 15))
def test_a_deadline_in_days_is_the_last_moment_of_its_day(hours: int, days: int) -> None:
    aware = AWARE + timedelta(hours=hours)
    due_by, last = deadline(aware, hours=None, days=days, zone=HALIFAX)
    assert last == aware.astimezone(HALIFAX).date() + timedelta(days=days)
    assert (due_by - timedelta(seconds=1)).astimezone(HALIFAX).date() == last
    assert due_by.astimezone(HALIFAX).date() == last + timedelta(days=1)


GOOD = Told(
    grade=2, criteria=(), outcome="recovered", started_at=AWARE - timedelta(hours=2), started_known="minute",
    ended_at=AWARE - timedelta(hours=1), ended_known="minute", aware_at=AWARE,
)  # fmt: skip


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"grade": 4}, "criteria"),
        ({"grade": 5, "criteria": ("death",)}, "outcome"),
        ({"outcome": "fatal"}, "outcome"),
        ({"criteria": ("death",)}, "outcome"),
        ({"aware_at": AWARE + timedelta(days=1)}, "aware_at"),
        ({"started_at": None}, "started_at"),
        ({"started_known": "unknown"}, "started_at"),
        ({"started_at": AWARE + timedelta(minutes=1), "ended_at": None, "ended_known": "unknown"}, "started_at"),
        ({"ended_at": AWARE - timedelta(hours=3)}, "ended_at"),
        ({"ended_at": None, "ended_known": "ongoing"}, "ended_known"),
    ],
)  # fmt: skip
def test_what_does_not_fit_together_is_named_at_its_field(
    changed: dict[str, object], field: str
) -> None:
    assert list(misfits(GOOD, AWARE)) == []
    assert field in {where for where, _ in misfits(replace(GOOD, **changed), AWARE)}  # type: ignore[arg-type]


def test_serious_does_not_ask_for_a_high_grade() -> None:
    """Serious is not the same as severe (ICH E2A)."""
    assert list(misfits(replace(GOOD, grade=1, criteria=("hospital",)), AWARE)) == []


def test_an_unknown_start_counts_as_after_the_dose() -> None:
    dose = AWARE
    assert after_dose(None, "unknown", dose, HALIFAX)
    assert after_dose(dose - timedelta(hours=5), "day", dose, HALIFAX)
    assert not after_dose(dose - timedelta(minutes=1), "minute", dose, HALIFAX)
    assert not after_dose(None, "unknown", None, HALIFAX)


def test_the_sponsor_cannot_judge_an_event_down() -> None:
    """EU 536/2014 Annex III para 4: if the views differ both are reported."""
    assert is_suspected("possibly", "not_related")
    assert is_suspected("unlikely", "related")
    assert is_suspected("", "not_related")  # not judged yet is not ruled out
    assert not is_suspected("unlikely", "not_related")
