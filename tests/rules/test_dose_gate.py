"""The dose gate: open only when every fact is known and right, and every reason is named."""

from dataclasses import fields, is_dataclass, replace
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from screening.rules.dose_gate import dose_gate
from screening.rules.gate_cover import cover_of
from screening.rules.gate_facts import (
    GateFacts,
)
from screening.rules.gate_reasons import FIXES
from screening.rules.gate_safety import CareFact
from screening.rules.gate_vitals import MEASURES
from screening.rules.vitals import VitalDecision
from tests.rules.gate_world import (
    AT,
    FLAGS,
    GOOD,
    INSTANTS,
    MINUTE,
    MISSING,
    RULES,
    WRONG,
    outcomes,
)

assert GOOD.safety is not None
GOOD_SAFETY = GOOD.safety


def put(facts: GateFacts, path: str, value: Any) -> GateFacts:
    outer, _, inner = path.partition(".")
    if not inner:
        return replace(facts, **{outer: value})
    return replace(facts, **{outer: replace(getattr(facts, outer), **{inner: value})})


def gate(facts: GateFacts) -> frozenset[str]:
    result = dose_gate(facts, rules=RULES, at=AT)
    assert result.open == (not result.reasons)
    return result.codes


def test_everything_right_opens_the_gate() -> None:
    result = dose_gate(GOOD, rules=RULES, at=AT)
    assert result.open
    assert result.reasons == ()


@pytest.mark.parametrize(("path", "value", "code"), WRONG)
@pytest.mark.shows("A-10", "V-2.3.1")
def test_one_wrong_fact_shuts_the_gate_with_its_reason_only(
    path: str, value: Any, code: str
) -> None:
    assert gate(put(GOOD, path, value)) == {code}


@pytest.mark.parametrize("path", sorted(MISSING))
@pytest.mark.shows("A-10", "V-2.3.1", "V-16.5.3")
def test_one_missing_fact_shuts_the_gate(path: str) -> None:
    assert MISSING[path] in gate(put(GOOD, path, None))


def test_no_fact_is_left_out_of_the_missing_table() -> None:
    leaves = set()
    for outer in fields(GOOD):
        leaves.add(outer.name)
        value = getattr(GOOD, outer.name)
        if is_dataclass(value):
            leaves |= {f"{outer.name}.{inner.name}" for inner in fields(value)}
    assert leaves - set(MISSING) == {"questions.problems"}  # only words
    assert set(MISSING) <= leaves


@pytest.mark.parametrize("path", sorted(set(INSTANTS)))
def test_an_instant_without_zone_is_not_known(path: str) -> None:
    outer, _, inner = path.partition(".")
    naive = getattr(getattr(GOOD, outer), inner).replace(tzinfo=None)
    result = dose_gate(put(GOOD, path, naive), rules=RULES, at=AT)
    assert [(r.code, r.unknown) for r in result.reasons] == [(MISSING[path], True)]


def test_release_opens_for_the_physicians_band_but_never_outside() -> None:
    released = put(GOOD, "pre_dose.released", True)
    assert gate(put(released, "pre_dose.outcomes", outcomes(pulse="review"))) == set()
    assert gate(put(released, "pre_dose.outcomes", outcomes(pulse="outside"))) == {"vitals_outside"}
    assert gate(put(GOOD, "questions.outcome", "released")) == set()


def test_two_physicians_who_each_lack_something_are_no_cover_together() -> None:
    """One leaves before the wait is over, the other said three hours ago to be there: ask one of them to say again."""
    leaves, silent = (AT - 5 * MINUTE, AT + 60 * MINUTE), (AT - 180 * MINUTE, AT + 300 * MINUTE)
    stays = (AT - 60 * MINUTE, AT + 90 * MINUTE)
    for here, reasons in (
        ([], {"cover_absent", "cover_short"}), ([leaves, silent], {"cover_short"}), ([silent], {"cover_stale"}),
        ([leaves, silent, stays], set()),
    ):  # fmt: skip
        assert gate(put(GOOD, "cover", cover_of(here, (), AT))) == reasons


def test_edges() -> None:
    assert gate(put(GOOD, "pre_dose.taken_at", AT - 30 * MINUTE)) == set()
    assert gate(put(GOOD, "cover.until", AT + 90 * MINUTE)) == set()
    assert gate(put(GOOD, "consent.signed_at", AT)) == set()
    # Today is the day on the study's clock: 23:00 UTC is midnight in Amsterdam in winter.
    assert (
        gate(put(GOOD, "questions.answered_at", datetime(2026, 3, 2, 23, 0, tzinfo=UTC))) == set()
    )


@pytest.mark.parametrize(("ended", "overridden"), [(True, False), (False, True)])
def test_somebody_out_of_care_or_two_signatures_let_dosing_go_on(
    ended: bool, overridden: bool
) -> None:
    """F-48: silence never reads as recovery, but what is over or signed by two does not stand in the way."""
    over = CareFact(who="HB-007", counts_until=None, ended=ended, overridden=overridden)
    assert gate(put(GOOD, "safety.care", (over,))) == set()
    unknown = replace(over, ended=None, overridden=None)
    assert gate(put(GOOD, "safety.care", (over, unknown))) == {"care_unknown"}


def test_the_instant_of_the_dose_needs_a_zone() -> None:
    with pytest.raises(ValueError, match="time zone"):
        dose_gate(GOOD, rules=RULES, at=AT.replace(tzinfo=None))


def test_every_hold_and_spacing_problem_is_its_own_reason() -> None:
    facts = replace(GOOD, open_holds=("one", "two"), spacing_problems=("three", "four"))
    result = dose_gate(facts, rules=RULES, at=AT)
    assert [reason.what for reason in result.reasons] == [
        "three",
        "four",
        "Open hold: one",
        "Open hold: two",
    ]


def test_every_reason_says_who_does_what() -> None:
    seen = {code for _, _, code in WRONG} | set(MISSING.values())
    assert seen == set(FIXES)
    assert all(text.endswith(".") for text in FIXES.values())


@given(st.sets(st.sampled_from(range(len(WRONG))), max_size=12))
def test_all_broken_facts_are_named_at_once(chosen: set[int]) -> None:
    by_path = {WRONG[index][0]: WRONG[index] for index in sorted(chosen)}
    facts = GOOD
    for path, value, _ in by_path.values():
        facts = put(facts, path, value)
    wanted = {code for _, _, code in by_path.values()}
    if "pre_dose.decision" in by_path:  # values of a set that is not decided on are not judged
        wanted -= {"vitals_outside", "vitals_unreleased", "vitals_unjudged"}
    if "allocation_number" in by_path:  # without a number no kit can be compared with it
        wanted -= {"kit_wrong"}
    assert gate(facts) == wanted


@st.composite
def any_facts(draw: st.DrawFn) -> GateFacts:
    """Good facts with up to four leaves drawn anew: right, wrong, missing, or any instant."""
    facts = GOOD
    leaves = [path for path in MISSING if "." in path or not is_dataclass(getattr(GOOD, path))]
    for path in draw(st.sets(st.sampled_from(sorted(leaves)), max_size=4)):
        choices = [None, *(value for where, value, _ in WRONG if where == path)]
        if path in FLAGS:
            choices += [True, False]
        value = st.sampled_from(choices)
        if path in INSTANTS:
            value |= st.integers(-3000, 3000).map(lambda minutes: AT + minutes * MINUTE)
        facts = put(facts, path, draw(value))
    return facts


def oracle(f: GateFacts) -> bool:
    """Said once more, as one sentence of conditions."""
    c, s, q, p, k, v = f.consent, f.sign_off, f.questions, f.pre_dose, f.kit, f.cover
    assert c and s and q and p and k and v  # noqa: PT018 - any_facts only changes leaves
    inside = {o.measure for o in p.outcomes or () if o.outcome == "pass"} == set(MEASURES) or (
        p.outcomes == outcomes(systolic="review") and p.released
    )
    day = datetime(2026, 3, 2, 23, 0, tzinfo=UTC)
    return bool(
        f.limits_confirmed
        and f.dosing_paused is False
        and f.participant_active
        and f.identity_confirmed
        and f.already_dosed is False
        and (c.signed_at and c.signed_at <= AT and c.withdrawn is False)
        and c.version == c.current_version == "2"
        and (s.eligible and s.valid_until and s.valid_until > AT)
        and s.signed_digest == s.current_digest == "ab12"
        and f.allocation_number
        and q.outcome in ("clear", "released")
        and (q.answered_at and day <= q.answered_at <= AT)
        and isinstance(p.decision, VitalDecision)
        and (p.taken_at and AT - 30 * MINUTE <= p.taken_at <= AT)
        and (inside and p.released is not None)
        and f.checks == GOOD.checks
        and f.earlier_visits_finished == ((1, True),)
        and f.spacing_problems == ()
        and (
            f.washouts is not None
            and all(w.earliest.tzinfo and w.earliest <= AT for w in f.washouts)
        )
        and f.notes_open == ()
        and (k.number and k.for_number == f.allocation_number)
        and (k.usable_until and k.usable_until > AT and k.quarantined is False)
        and (k.dispensed and k.scanned_matches)
        and (v.present and v.until and v.until >= AT + 90 * MINUTE)
        and v.unpractised == ()
        and (v.said_at and v.said_at >= AT - 60 * MINUTE)
        and (f.rescue_kit_ready and f.somebody_stays)
        and f.open_holds == ()
        and f.safety is not None
        and (f.safety.pauses == f.safety.unread == f.safety.unexpected == ())
        and f.safety.news == GOOD_SAFETY.news
        and f.safety.care == GOOD_SAFETY.care
    )


@settings(max_examples=400)
@given(any_facts())
def test_open_exactly_when_the_oracle_says_so(facts: GateFacts) -> None:
    assert dose_gate(facts, rules=RULES, at=AT).open == oracle(facts)
