"""Stopping rules: said once more as a count over every window, by brute force."""

from hypothesis import given, settings
from hypothesis import strategies as st

from studylab.participants.rules.stopping import Mark, counts, tripped
from studylab.studies.rules.safety import StoppingRule

SLOW = StoppingRule("slow", "Two of ten", 2, 10, terms=("slow pulse",), holds=("vitals",))
GRADE = StoppingRule("grade", "Two of three with grade 3", 2, 3, grade_from=3)
SERIOUS = StoppingRule("serious", "One serious", 1, 1, serious=True)
PEOPLE = list(range(100, 130))  # in the order of their doses


def slow(person: int, name: str = "") -> Mark:
    return Mark(name or f"m{person}", person, term="Slow Pulse", grade=1)


def test_two_of_ten_pause_and_one_does_not() -> None:
    """The worked example: two holds for a slow pulse in ten people."""
    assert tripped([SLOW], PEOPLE, [slow(100)], {}) == []
    held = Mark("h1", 109, hold="vitals")
    (hit,) = tripped([SLOW], PEOPLE, [slow(100), held], {})
    assert (hit.people, hit.marks) == ((100, 109), ("m100", "h1"))
    assert tripped([SLOW], PEOPLE, [slow(100), Mark("h1", 110, hold="vitals")], {}) == []


def test_twice_the_same_person_is_one_person() -> None:
    assert tripped([SLOW], PEOPLE, [slow(100, "a"), slow(100, "b")], {}) == []


def test_what_was_looked_at_does_not_pause_again_but_together_with_something_new_it_does() -> None:
    marks = [slow(100), slow(101)]
    known = {"slow": frozenset({"m100", "m101"})}
    assert tripped([SLOW], PEOPLE, marks, known) == []
    (hit,) = tripped([SLOW], PEOPLE, [*marks, slow(102)], known)
    assert hit.marks == ("m100", "m101", "m102")
    assert tripped([SLOW], PEOPLE, [*marks, slow(129)], known) == []  # too far from them


def test_what_was_not_dosed_or_is_of_another_kind_does_not_count() -> None:
    assert tripped([SERIOUS], PEOPLE, [Mark("x", 7, serious=True)], {}) == []
    assert not counts(SLOW, Mark("x", 100, hold="answers", serious=True))
    assert not counts(GRADE, Mark("x", 100, grade=2))
    assert counts(SERIOUS, Mark("x", 100, grade=1, serious=True))


_MARKS = st.lists(
    st.builds(
        Mark, st.uuids().map(str), st.sampled_from(PEOPLE[:14]), st.sampled_from(["", "slow pulse"]),
        st.integers(1, 4), st.booleans(), st.sampled_from(["", "", "vitals", "answers"]),
    ),
    max_size=9,
)  # fmt: skip


@settings(max_examples=150)
@given(_MARKS, st.integers(1, 4), st.integers(0, 10))
def test_against_every_window_of_people(marks: list[Mark], people: int, more: int) -> None:
    rule = StoppingRule("any", "", people, people + more, ("slow pulse",), ("vitals",), 3, True)
    hit = {m.person for m in marks if counts(rule, m)}
    windows = [PEOPLE[i : i + rule.of_last] for i in range(len(PEOPLE))]
    wanted = any(len(hit & set(window)) >= rule.people for window in windows)
    found = tripped([rule], PEOPLE, marks, {})
    assert bool(found) == wanted
    if found:
        assert len(found[0].people) >= people
        places = [PEOPLE.index(p) for p in found[0].people]
        assert max(places) - min(places) < rule.of_last
