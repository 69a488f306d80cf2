"""What is said about an option: how it keeps the targets, and what was asked for."""

from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest

from scheduling.rules.reasons import Asked, missed_wishes, reasons, say_order
from scheduling.rules.series import PlaceRef, SeriesOption, visit_at
from tests.scheduling.rules.schedule_examples import protocol, spacing, visit
from tests.scheduling.rules.test_search import MONDAY

AMSTERDAM = ZoneInfo("Europe/Amsterdam")
PLAN = protocol(
    (
        visit(1, ("session", 45, {}), ("dose", 5, {}), ("wait", 90, {}), dose="dose"),
        visit(2, ("retention", 60, {})),
    ),
    (spacing("visit1.dose", "visit2.start", 20, 24, 28),),
)


def option(later: timedelta, *people: str) -> SeriesOption:
    first, second = (PlaceRef("nurse", name) for name in people)
    eight = MONDAY + timedelta(hours=6)  # in Amsterdam
    one, two = PLAN.visits
    return SeriesOption(
        (visit_at(one, eight, [(first,), (), ()]), visit_at(two, eight + later, [(second,)])), 0
    )


@pytest.mark.parametrize(
    ("minutes", "people", "asked", "said"),
    [
        (24 * 60 + 45, ["Ava", "Ava"], Asked(people="nurse"), (
            "24 h from the dose of visit 1 to the start of visit 2, exactly the target of 24 h.",
            "The visits start at 08:00, 08:45.", "One nurse throughout: Ava.",
        )),
        (24 * 60, ["Ava", "Ava"], Asked(True, True, "nurse"), (
            "23 h 15 min from the dose of visit 1 to the start of visit 2, 45 min less than the target of 24 h.",
            "Every visit starts at 08:00, as asked.", "One nurse throughout, as asked: Ava.",
        )),
        (25 * 60, ["Ava", "Ben"], Asked(True, True, "nurse"), (
            "24 h 15 min from the dose of visit 1 to the start of visit 2, 15 min more than the target of 24 h.",
            "One time of day was asked for: the visits start at 08:00, 09:00.",
            "One nurse was asked for: 2 share the visits, Ava, Ben.",
        )),
    ],
)  # fmt: skip
def test_each_wish_is_answered(minutes: int, people: list[str], asked: Asked, said: tuple) -> None:
    found = option(timedelta(minutes=minutes), *people)
    names = list(dict.fromkeys(people))
    assert reasons(PLAN, found, AMSTERDAM, asked, soonest=False, names=names) == said
    assert missed_wishes(found, asked) == (False, asked.same_person and len(names) == 2)
    more = reasons(PLAN, found, AMSTERDAM, asked, soonest=True, names=names)
    assert more == (*said, "The soonest first visit among these.")


def test_times_that_do_not_suit_are_named() -> None:
    found = option(timedelta(hours=24), "Ava", "Ava")
    first, second = found.visits
    both = Asked(liked=((first.start, first.end), (second.start, second.end)))
    one = Asked(liked=((first.start, first.end),))
    last = [reasons(PLAN, found, AMSTERDAM, asked, soonest=False)[-1] for asked in (both, one)]
    assert last == [
        "Every visit lies in a time that suits the volunteer.",
        "Visit 2 lies in a time the volunteer would rather not come.",
    ]
    assert [missed_wishes(found, asked)[0] for asked in (both, one)] == [False, True]


def test_the_order_is_said_in_one_sentence() -> None:
    assert say_order(Asked()) == (
        "Order: nearest to the targets of the protocol, then nearest to one time of day, then the soonest."
    )
    assert say_order(Asked(True, True, "nurse", ())) == (
        "Order: inside the times that suit the volunteer, then one nurse throughout, then nearest to one time "
        "of day, then nearest to the targets of the protocol, then the soonest."
    )
