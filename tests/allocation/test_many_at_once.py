"""Sixteen connections at once: every number once and without a gap, one kit a number, one list a study."""

import threading
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any

import pytest
from django.db import connections

from studylab.access import Role
from studylab.allocation.models import AllocationList, Kit, KitMovement, ListEntry
from studylab.audit.models import Event
from studylab.errors import Conflict, Refused, StudylabError
from tests import cast
from tests.allocation import helpers

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.database]
THREADS = 16


def all_at_once(acts: Sequence[Callable[[], Any]]) -> list[Any]:
    """Run every act in a thread and connection of its own, started together; return values or refusals."""
    gate = threading.Barrier(len(acts))
    results: list[Any] = [None] * len(acts)

    def run(place: int) -> None:
        gate.wait(timeout=30)
        try:
            results[place] = acts[place]()
        except StudylabError as problem:
            results[place] = problem
        finally:
            connections.close_all()

    threads = [threading.Thread(target=run, args=(place,)) for place in range(len(acts))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert not any(thread.is_alive() for thread in threads)
    return results


@pytest.fixture
def house() -> Any:
    """A confirmed study with its people, no list yet."""
    study = cast.make_study()
    people = {role: cast.make_user(name) for role, name in cast.NAMES.items()}
    for role, user in people.items():
        cast.join(user, study, role)
    cast.confirm_limits(study, people[Role.CLINICIAN])
    return study, people


def test_numbers_are_issued_once_and_without_a_gap(house: Any) -> None:
    study, people = house
    helpers.seal(study, people[Role.PHARMACIST])
    persons = [helpers.ready(study, people[Role.CLINICIAN], serial) for serial in range(1, 49)]
    shares = [persons[place::THREADS] for place in range(THREADS)]

    def issue_all(share: Sequence[Any]) -> list[str]:
        return [helpers.issue(person, people[Role.COORDINATOR]).number for person in share]

    results = all_at_once([lambda share=share: issue_all(share) for share in shares])
    assert not [one for one in results if isinstance(one, Exception)]
    issued = [number for share in results for number in share]
    assert sorted(issued) == [f"{place:03d}" for place in range(1, 49)]
    rows = ListEntry.objects.filter(participant__isnull=False)
    assert sorted(rows.values_list("number", flat=True)) == sorted(issued)
    assert rows.values("participant").distinct().count() == 48
    assert Event.objects.filter(action="number.issued").count() == 48


def test_one_volunteer_asked_for_by_sixteen_gets_one_number(house: Any) -> None:
    study, people = house
    helpers.seal(study, people[Role.PHARMACIST])
    person = helpers.ready(study, people[Role.CLINICIAN])
    results = all_at_once(
        [lambda: helpers.issue(person, people[Role.COORDINATOR]) for _ in range(THREADS)]
    )
    assert Counter(type(one) for one in results) == {ListEntry: 1, Conflict: THREADS - 1}
    assert ListEntry.objects.get(participant=person).number == "001"


def test_the_last_numbers_go_to_as_many_people_and_no_more(house: Any) -> None:
    study, people = house
    sealed = helpers.seal(study, people[Role.PHARMACIST])
    first = [helpers.ready(study, people[Role.CLINICIAN], s) for s in range(1, sealed.length - 3)]
    for person in first:
        helpers.issue(person, people[Role.COORDINATOR])
    late = [helpers.ready(study, people[Role.CLINICIAN], 100 + s) for s in range(THREADS)]
    results = all_at_once(
        [lambda person=person: helpers.issue(person, people[Role.COORDINATOR]) for person in late]
    )
    assert Counter(type(one) for one in results) == {ListEntry: 4, Refused: THREADS - 4}
    assert not ListEntry.objects.filter(participant=None).exists()


def test_one_list_whoever_seals(house: Any) -> None:
    study, people = house
    results = all_at_once([lambda: helpers.seal(study, people[Role.PHARMACIST]) for _ in range(4)])
    assert Counter(type(one) for one in results) == {AllocationList: 1, Conflict: 3}
    assert ListEntry.objects.count() == AllocationList.objects.get().length


def test_each_number_gets_one_kit_and_each_kit_one_number(house: Any) -> None:
    study, people = house
    helpers.seal(study, people[Role.PHARMACIST])
    helpers.stock(study, people[Role.PHARMACIST], 20)
    persons = [helpers.ready(study, people[Role.CLINICIAN], serial) for serial in range(1, 9)]
    for person in persons:
        helpers.issue(person, people[Role.COORDINATOR])
    results = all_at_once(
        [
            lambda person=person: helpers.prepare(person, people[Role.PHARMACIST])
            for person in persons * 2
        ]
    )
    assert Counter(type(one) for one in results) == {Kit: 8, Conflict: 8}
    prepared = Kit.objects.filter(state="prepared")
    assert prepared.values("entry").distinct().count() == prepared.count() == 8
    assert KitMovement.objects.filter(what="prepare").count() == 8
