"""Random people against a second, much simpler reading of the rules, written for this test alone."""

import re
from collections.abc import Callable
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from screening.rules.assessment import Answer, Assessment, Medicine, Person
from screening.rules.vitals import VitalDecision

# Written out by hand from the conditions of the two labels and the list of questions, not from the table.
EXCLUDE = set(
    re.findall(
        r"\S+",
        "C-01 C-01b C-02 C-03 C-04 C-06 C-07 C-08a C-09 C-10 C-11 C-12 C-16 C-18a C-19a C-20 C-21a C-21b C-21c "
        "C-23a C-23b C-24 C-25 C-26a C-27 C-28 C-29 C-30 C-31 C-34 C-42",
    )
)
PHYSICIAN = set(
    re.findall(
        r"\S+",
        "C-03b C-08b C-12b C-13a C-13d C-14 C-15 C-17a C-18b C-19b C-23c C-26b C-33a C-33b C-35 C-36a C-38b C-39a "
        "C-40 T-01 T-02",
    )
)
NOTE = set(re.findall(r"\S+", "C-32a C-36b C-37a C-41 C-45 C-46a C-46c C-48 T-03"))
NO_IS_FLAGGED = {"C-49a": "physician", "C-49b": "physician", "C-50": "exclude"}
FOLLOW_UP = {
    "C-13a": ("C-13b", "C-13c"),
    "C-17a": ("C-17b",),
    "C-32a": ("C-32b",),
    "C-37a": ("C-37b",),
    "C-39a": ("C-39b",),
    "C-46a": ("C-46b",),
    "C-46c": ("C-46d",),
}
MEDICINES = {
    "paracetamol": "note",
    "sertraline": "physician",
    "atenolol": "exclude",
    "xyz": "physician",
}
YES_NO = sorted(EXCLUDE | PHYSICIAN | NOTE | set(NO_IS_FLAGGED))
RANK = {"note": 0, "physician": 1, "exclude": 3}


def flags(rule_id: str, value: str | None) -> str | None:
    """What one yes/no answer leads to; None when nothing."""
    if value == "not_sure":
        return (
            "note"
            if rule_id in {"C-32a", "C-36b", "C-37a", "C-41", "C-45", "C-48", "T-03"}
            else "physician"
        )
    if rule_id in NO_IS_FLAGGED:
        return NO_IS_FLAGGED[rule_id] if value == "no" else None
    if value != "yes":
        return None
    return "exclude" if rule_id in EXCLUDE else "physician" if rule_id in PHYSICIAN else "note"


def expected(
    answers: dict[str, str | None],
    drinks: int | None,
    medicines: list[str],
    vitals: VitalDecision | None,
    age: int,
) -> str:
    """The outcome by the simplest reading: collect the words, take the worst, then look for gaps."""
    found = [flags(rule_id, value) for rule_id, value in answers.items()]
    found += [MEDICINES[name] for name in medicines]
    gap = drinks is None or vitals is None or None in answers.values()
    # What follows a flagged answer is never answered in these examples.
    gap = gap or any(answers[parent] in ("yes", "not_sure") for parent in FOLLOW_UP)
    if drinks is not None and drinks > 14:
        found.append("physician")
    if not 18 <= age <= 45:
        found.append("exclude")
    if vitals is not None:
        s, d, p = vitals.systolic, vitals.diastolic, vitals.pulse
        if not (90 <= s < 160 and 55 <= d < 100 and 50 <= p <= 100):
            found.append("exclude")
        elif not (100 <= s < 140 and 60 <= d < 90 and p >= 60):
            found.append("physician")
    worst = max((RANK[each] for each in found if each), default=0)
    if worst == RANK["exclude"]:
        return "exclude"
    if gap:
        return "cannot_decide"
    return "physician" if worst else "clear"


def values(healthy: str) -> st.SearchStrategy[str | None]:
    """Mostly the healthy answer, so that every outcome comes up often enough."""
    return st.sampled_from([healthy] * 200 + ["yes", "no", "not_sure", None])


ANSWERS = st.fixed_dictionaries({i: values("yes" if i in NO_IS_FLAGGED else "no") for i in YES_NO})
SETS = st.none() | st.builds(
    VitalDecision,
    st.sampled_from([89.5, 90, 99.5, 100, 120, 120, 139.5, 140, 159.5, 160]),
    st.sampled_from([54.5, 55, 59.5, 60, 70, 70, 89.5, 90, 99.5, 100]),
    st.sampled_from([49.5, 50, 59.5, 60, 70, 70, 100, 100.5]),
    st.just((2, 3)),
)


def test_the_oracle_knows_every_question_of_screening(table: Any) -> None:
    children = {child for each in FOLLOW_UP.values() for child in each}
    assert {*YES_NO, *children, "C-38a"} == {row.id for row in table.asked("screening")}


@settings(max_examples=600)
@given(
    answers=ANSWERS,
    drinks=st.sampled_from([0, 3, 14, 15, None]),
    medicines=st.lists(st.sampled_from([*MEDICINES, "paracetamol"]), max_size=2),
    vitals=SETS | st.just(VitalDecision(120, 70, 70, (2, 3))),
    age=st.sampled_from([17, 18, 30, 45, 46]),
)
def test_random_people_agree_with_the_oracle(
    run: Callable[..., Assessment],
    answers: dict[str, str | None],
    drinks: int | None,
    medicines: list[str],
    vitals: VitalDecision | None,
    age: int,
) -> None:
    given_answers = {key: Answer(value) for key, value in answers.items() if value is not None}
    given_answers |= {} if drinks is None else {"C-38a": Answer(drinks)}
    assessment = run(
        answers=given_answers,
        medicines=[Medicine(name) for name in medicines],
        vitals=vitals,
        person=Person(age, 172, 68),
    )
    assert assessment.outcome == expected(answers, drinks, medicines, vitals, age)
