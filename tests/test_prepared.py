"""Prepared questions answer what their querysets answer, for every key and on every thread."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from itertools import pairwise
from typing import Any
from uuid import UUID

import pgtrigger
import pytest
from django.db import connection
from django.db.models import F, Q, QuerySet
from django.db.transaction import TransactionManagementError
from django.test.utils import CaptureQueriesContext

from screening.models import AnswerSet, SignOff, VitalReading, VitalSet
from screening.selectors.vitals import SETS_AT_SCREENING, sets_at_screening, standing_sets
from studylab import clock
from studylab.db import Insert, insert_all, lock
from studylab.participants.models import Participant
from studylab.people.models import Membership, User
from studylab.prepared import Prepared, ask_all, together
from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.selectors import current_protocol
from tests.access.world import World


def _signed(person: Any) -> QuerySet[SignOff]:
    return (
        SignOff.objects.filter(participant=person)
        .select_related("signature", "assessment__protocol_version")
        .defer("assessment__protocol_version__document")
        .annotate(then=F("assessment__outcome"))
        .order_by("-id")
    )


def _content(row: Any) -> dict[str, Any]:
    return {name: value for name, value in vars(row).items() if name != "_state"}


@pytest.fixture
def people(middle: World) -> list[Participant]:
    return list(Participant.objects.filter(study=middle.study).order_by("id"))


def test_rows_related_rows_annotations_and_what_is_left_out_are_those_of_the_queryset(
    people: list[Participant],
) -> None:
    prepared, found = Prepared(_signed), 0
    for person in people:
        for one, other in zip(prepared(person.pk), _signed(person.pk), strict=True):
            found += 1
            assert (one, one.then, one.signature) == (other, other.then, other.signature)
            assert _content(one.assessment) | {"_state": 0} == _content(other.assessment) | {
                "_state": 0
            }
            assert one.assessment.protocol_version.get_deferred_fields() == {"document"}
            assert one.item_decisions == other.item_decisions  # JSON
    assert found > 1


def test_values_beside_the_keys_stay(people: list[Participant]) -> None:
    prepared = Prepared(
        lambda one, other: (
            AnswerSet.objects.filter(participant__in=[one, other])
            .exclude(medicines=[], no_medicines=False)
            .order_by("id")
        )
    )
    for one, other in pairwise(people):
        wanted = AnswerSet.objects.filter(participant__in=[one, other])
        assert prepared(one.pk, other.pk) == list(
            wanted.exclude(medicines=[], no_medicines=False).order_by("id")
        )


def test_a_key_that_the_sql_does_not_hold_is_refused_at_once(db: None) -> None:
    with pytest.raises(TypeError, match="1 of the keys"):
        Prepared(lambda one, other: Study.objects.filter(pk=one))(1, 2)


def test_it_asks_once_and_finds_nothing_for_nobody(people: list[Participant]) -> None:
    with CaptureQueriesContext(connection) as asked:
        assert Prepared(_signed).first(0) is None
    assert len(asked) == 1


def _elsewhere(ask: Callable[[], Any]) -> Any:
    """Ask on a thread of its own, which has a connection of its own."""

    def run() -> Any:
        try:
            return ask()
        finally:
            connection.close()

    with ThreadPoolExecutor(1) as pool:
        return pool.submit(run).result()


def test_threads_share_the_sql_and_not_the_connection(middle: World) -> None:
    study = middle.study
    prepared = Prepared(lambda key: Study.objects.filter(pk=key))
    assert prepared.first(study.pk) == study
    # Another connection does not see what this test's transaction has changed.
    Study.objects.filter(pk=study.pk).update(title="Changed here")
    assert prepared(study.pk)[0].title == "Changed here"
    assert [one.title for one in _elsewhere(lambda: prepared(study.pk))] != ["Changed here"]


def test_a_row_is_locked_by_its_key_within_a_transaction_only(people: list[Participant]) -> None:
    study, found = people[0].study, lock(Participant, "study", pk=people[0].pk)
    with CaptureQueriesContext(connection) as asked:
        assert found.study == study
        assert lock(Participant, pk=people[1].pk) == people[1]
    assert [one["sql"].rpartition(" FOR ")[2] for one in asked] == [
        'UPDATE OF "participants_participant"'
    ]
    with pytest.raises(Participant.DoesNotExist):
        lock(Participant, pk=2_000_000_000)
    with pytest.raises(TransactionManagementError):
        _elsewhere(lambda: lock(Participant, pk=people[0].pk))


def test_the_readings_of_screening_come_with_their_sets(people: list[Participant]) -> None:
    several = 0
    for person in people:
        sets = sets_at_screening(person)
        assert sets == list(standing_sets(person, VitalSet.Gate.SCREENING))
        with CaptureQueriesContext(connection) as asked:
            held = [list(one.readings.all()) for one in sets]
        assert not asked.captured_queries
        assert held == [list(VitalReading.objects.filter(set=one)) for one in sets]
        several += sum(len(one) for one in held)
    assert several > 2


def test_the_protocol_in_force_is_the_newest_confirmed_one(middle: World) -> None:
    study = middle.study
    confirmed = current_protocol(study).version
    assert confirmed.confirmed_at is not None
    assert confirmed.study is study
    newer = ProtocolVersion(
        study=study, number=confirmed.number + 1, document=confirmed.document, sha256="f" * 64
    )
    newer.added_by_id, newer.added_at = confirmed.added_by_id, clock.now()
    newer.save()
    assert current_protocol(study).version == confirmed


def test_asked_together_each_question_has_its_answer_once_and_in_one_journey(
    people: list[Participant],
) -> None:
    signed, sets = Prepared(_signed), SETS_AT_SCREENING
    for person in people:
        wanted = (signed(person.pk), sets(person.pk))
        with CaptureQueriesContext(connection) as asked, together(signed, sets, key=person.pk):
            assert (signed(person.pk), sets(person.pk)) == wanted
            assert len(asked) == 1
            signed(person.pk)  # what may have changed since is asked anew
            assert len(asked) == 2
        with CaptureQueriesContext(connection) as after:
            assert sets(person.pk) == wanted[1]
        assert len(after) == 1


def test_asked_together_about_one_nobody_else_is_answered(people: list[Participant]) -> None:
    one, other = [person for person in people if SETS_AT_SCREENING(person.pk)][:2]
    with together(SETS_AT_SCREENING, key=one.pk):
        assert {found.participant_id for found in SETS_AT_SCREENING(other.pk)} == {other.pk}


def test_keys_that_are_no_numbers_are_held_a_place_by_their_default(middle: World) -> None:
    def under(slug: str, uid: UUID, since: date) -> QuerySet[Membership]:
        held = Membership.objects.filter(study__slug=slug).exclude(uid=uid)
        return held.filter(Q(starts_on__gte=since) | Q(ends_on__gte=since)).order_by("id")

    nobodys, found = UUID(int=0), 0
    prepared = Prepared(lambda slug="/", uid=nobodys, on=date.max: under(slug, uid, on))
    everybody = list(Membership.objects.filter(study=middle.study))
    for slug in (middle.study.slug, "no-study"):
        for one in everybody:
            for on in (one.starts_on, one.starts_on + timedelta(days=1)):
                assert prepared(slug, one.uid, on) == list(under(slug, one.uid, on))
                found += len(prepared(slug, one.uid, on))
    assert found >= len(everybody) > 3


def test_several_questions_get_their_own_answers_where_guards_are_passed_by(middle: World) -> None:
    questions = [("SELECT %s", [place]) for place in range(3)]
    with pgtrigger.ignore():
        assert ask_all(*questions) == [[(0,)], [(1,)], [(2,)]]
    assert ask_all(*questions) == [[(0,)], [(1,)], [(2,)]]


def test_rows_of_several_models_get_their_own_keys_where_guards_are_passed_by(
    middle: World,
) -> None:
    for prefix, settle in (("QA", False), ("QB", True)):
        user = User(email=f"{prefix}@lab.example", name=prefix, added_at=clock.now())
        study = Study(slug=prefix.lower(), title=prefix, code_prefix=prefix, timezone="UTC")
        study.created_at, study.languages = clock.now(), ["en"]
        with pgtrigger.ignore():
            insert_all(Insert([study]), Insert([user]), settle=settle)
        assert Study.objects.get(pk=study.pk).title == User.objects.get(pk=user.pk).name == prefix
