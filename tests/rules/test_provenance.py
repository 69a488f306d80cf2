"""Where an answer comes from: the volunteer, or staff, and what stood there before."""

from datetime import UTC, datetime, timedelta

from screening.rules.provenance import Sitting, origins

T = [datetime(2026, 3, 10, 12, tzinfo=UTC) + timedelta(hours=n) for n in range(4)]


def said(**answers: str) -> dict[str, dict[str, str]]:
    return {key: {"value": value, "detail": ""} for key, value in answers.items()}


OWN = Sitting(said(A="yes", B="no", C="no"), own=True, who="", at=T[0], told={"C": ("yes",)})
STAFF = Sitting(said(A="no", B="no", D="no"), own=False, who="Edda", at=T[1], reason="By phone.")


def test_an_answer_that_is_repeated_keeps_its_source() -> None:
    found = origins([OWN, STAFF])
    assert (found["B"].now.own, found["B"].now.at, found["B"].before) == (True, T[0], ())
    assert not found["B"].staff_changed


def test_what_staff_changed_shows_who_when_why_and_the_old_value() -> None:
    changed = origins([OWN, STAFF])["A"]
    assert changed.staff_changed
    assert (changed.now.value, changed.now.who, changed.now.at, changed.now.reason) == (
        "no", "Edda", T[1], "By phone.",
    )  # fmt: skip
    assert [(source.value, source.own, source.at) for source in changed.before] == [
        ("yes", True, T[0])
    ]


def test_what_staff_added_is_no_change_and_what_is_gone_has_no_source() -> None:
    found = origins([OWN, STAFF])
    assert not found["D"].now.own
    assert not found["D"].staff_changed
    assert "C" not in found


def test_an_answer_changed_before_sending_stands_beside_the_one_sent() -> None:
    own = origins([OWN])["C"]
    assert own.now.value == "no"
    assert [(source.value, source.before_sending) for source in own.before] == [("yes", True)]
    assert not own.staff_changed


def test_changed_there_and_back_keeps_every_step() -> None:
    back = Sitting(said(A="yes"), own=True, who="", at=T[2])
    again = Sitting(said(A="no"), own=False, who="Sten", at=T[3], reason="Again.")
    found = origins([OWN, STAFF, back, again])["A"]
    assert [source.value for source in (found.now, *found.before)] == ["no", "yes", "no", "yes"]
    assert found.staff_changed


def test_words_that_changed_count_as_a_change() -> None:
    first = Sitting({"A": {"value": "yes", "detail": "as a child"}}, True, "", T[0])
    later = Sitting({"A": {"value": "yes", "detail": "last year"}}, False, "Edda", T[1])
    assert origins([first, later])["A"].staff_changed
