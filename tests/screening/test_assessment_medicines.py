"""Medicines in the assessment: unknown ones, washout in elapsed time, the strictest of several."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from screening.rules.assessment import Answer, Assessment, Medicine
from screening.rules.medicines import washouts
from screening.rules.table import RuleTable

AT = datetime(2026, 3, 4, 9, 30, tzinfo=ZoneInfo("America/Halifax"))
Run = Callable[..., Assessment]


def ids(assessment: Assessment) -> list[str]:
    return [finding.rule_id for finding in assessment.findings]


def test_a_medicine_that_is_not_listed_goes_to_a_physician_in_the_persons_words(run: Run) -> None:
    assessment = run(medicines=[Medicine("grandma's green drops", dose="3 drops")])
    assert assessment.outcome == "physician"
    (finding,) = assessment.findings
    assert finding.said == "grandma's green drops, 3 drops"
    assert "does not mean that it is safe" in finding.reason


def test_every_medicine_of_the_catalogue_leads_to_its_disposition(
    run: Run, table: RuleTable
) -> None:
    long_ago = AT - timedelta(days=400)
    for row in table.catalogue.substances:
        assessment = run(medicines=[Medicine(row.name, last_taken=long_ago)])
        expected = "clear" if row.disposition == "note" else row.disposition
        assert (assessment.outcome, ids(assessment)) == (expected, [row.rule_id]), row.name


@pytest.mark.parametrize(
    ("hours_ago", "outcome"), [(0, "hold"), (47.999, "hold"), (48, "physician"), (100, "physician")]
)
def test_inside_the_washout_the_dose_is_on_hold(run: Run, hours_ago: float, outcome: str) -> None:
    taken = AT - timedelta(hours=hours_ago)
    listed = [Medicine("ciprofloxacin", last_taken=taken)]
    on_the_day = run(medicines=listed, gate="dosing_day")
    assert on_the_day.outcome == outcome
    # At screening a physician decides on taking part; the time gives the earliest day for a visit.
    before = run(medicines=listed)
    assert before.outcome == "physician"
    earliest = taken + timedelta(hours=48)
    for assessment in (on_the_day, before):
        assert assessment.earliest_dose == (earliest if outcome == "hold" else None)


def test_a_last_dose_that_nobody_knows_counts_as_now(run: Run) -> None:
    assessment = run(medicines=[Medicine("ciprofloxacin")], gate="dosing_day")
    assert assessment.outcome == "hold"
    assert assessment.earliest_dose == AT + timedelta(hours=48)
    assert "counts as taken now" in assessment.findings[0].reason


def test_washout_is_elapsed_time_across_a_clock_change(run: Run) -> None:
    zone = ZoneInfo("America/Halifax")  # clocks go forward on 8 March 2026 at 02:00
    taken = datetime(2026, 3, 7, 9, 0, tzinfo=zone)
    before = datetime(2026, 3, 9, 9, 30, tzinfo=zone)  # 47.5 elapsed hours
    after = datetime(2026, 3, 9, 10, 0, tzinfo=zone)
    medicines = [Medicine("ciprofloxacin", last_taken=taken)]
    assert run(medicines=medicines, at=before, gate="dosing_day").outcome == "hold"
    assert run(medicines=medicines, at=after, gate="dosing_day").outcome == "physician"


def test_noted_medicines_hold_on_the_dosing_day_only(run: Run) -> None:
    coffee = [Medicine("caffeine", last_taken=AT - timedelta(hours=3))]
    assert run(medicines=coffee).outcome == "clear"
    assert run(medicines=coffee).earliest_dose == AT + timedelta(hours=9)
    assert run(medicines=coffee, gate="dosing_day").outcome == "hold"


def test_every_list_of_medicines_counts_for_the_earliest_dose(table: RuleTable) -> None:
    week, day, now = timedelta(days=7), timedelta(days=1), AT.astimezone(UTC)
    screening = [Medicine("St John's wort", last_taken=now - week), Medicine("fluconazole")]
    today = [Medicine("caffeine", last_taken=now - day / 12), Medicine("granny's drops")]
    lists = [(screening, now - 6 * day), (today, now)]
    found = washouts(table.catalogue, lists, now)
    # 14 days after the wort; 7 days after a list with fluconazole that gave no time; 12 hours after coffee.
    assert [one.earliest for one in found] == [
        now + week, now + day, now - day / 12 + timedelta(hours=12)
    ]  # fmt: skip
    assert "hyperici herba" in found[0].why
    assert "not known" in found[1].why
    assert washouts(table.catalogue, lists, now + week) == ()
    again = [
        *lists,
        ([Medicine("Diflucan", last_taken=now)], now),
    ]  # the later dose of one substance counts
    assert washouts(table.catalogue, again, now)[0].earliest == now + week
    assert len(washouts(table.catalogue, again, now)) == 3


def test_a_prescribed_medicine_is_never_advised_to_be_stopped(run: Run, table: RuleTable) -> None:
    for row in table.catalogue.substances:
        medicine = Medicine(row.name, last_taken=AT, prescribed=True)
        for finding in run(medicines=[medicine]).findings:
            assert "never stopped for the study" in finding.reason


def test_aspirin_by_prescription_goes_to_a_physician(run: Run) -> None:
    assert run(medicines=[Medicine("aspirin")]).outcome == "clear"
    assert run(medicines=[Medicine("aspirin", prescribed=True)]).outcome == "physician"
    assert run(medicines=[Medicine("aspirin", atc="B01AC06")]).outcome == "physician"


def test_the_strictest_of_several_medicines_wins(run: Run) -> None:
    listed = [Medicine("paracetamol"), Medicine("unknown thing"), Medicine("atenolol")]
    assessment = run(medicines=listed)
    assert assessment.outcome == "exclude"
    assert ids(assessment) == ["M-019", "M-unknown", "M-110"]


def test_a_list_beside_the_statement_that_none_is_taken_is_a_contradiction(run: Run) -> None:
    assessment = run(medicines=[Medicine("paracetamol")], no_medicines=True)
    assert assessment.outcome == "physician"
    assert "C-47" in ids(assessment)


@pytest.mark.parametrize(
    ("words", "named"),
    [
        ("Took my sister's Ventolin once, in March.", ["M-named-M-031"]),
        ("sertraline 50 mg, since 2024; St John's Wort before", ["M-named-M-056", "M-named-M-081"]),
        ("A cold. No tablets, only coffee and alcohol.", []),
        ("Advil (ibuprofen)", ["M-named-M-107"]),
        ("aspirinated, ibuprofenlike", []),
    ],
)
def test_a_medicine_named_in_words_and_not_listed_goes_to_a_physician(
    run: Run, healthy: Callable[..., dict[str, Answer]], words: str, named: list[str]
) -> None:
    # Even beside an answer that leads to nothing.
    answers = healthy() | {"C-23c": Answer("no", words)}
    assessment = run(answers=answers)
    assert ids(assessment) == named
    assert assessment.outcome == ("physician" if named else "clear")


def test_a_medicine_that_is_listed_may_be_named(
    run: Run, healthy: Callable[..., dict[str, Answer]]
) -> None:
    answers = healthy("dosing_day") | {"D-01": Answer("no", "only my ibuprofen again")}
    listed = [Medicine("Advil (ibuprofen)", last_taken=AT - timedelta(days=2))]
    assert run(answers=answers, medicines=listed, gate="dosing_day").outcome == "clear"
