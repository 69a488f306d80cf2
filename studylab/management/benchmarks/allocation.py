"""How fast lists are made and sealed, and how fast numbers are issued from sixteen connections."""

import secrets
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from queue import Empty, Queue
from time import perf_counter
from typing import Any

import pgtrigger
from django.conf import settings
from django.core.management.base import CommandError
from django.db import connection, transaction

import studylab.studies
from screening.models import Assessment, SignOff
from studylab import clock
from studylab.access import Actor, Role
from studylab.allocation.gates import seal_entry
from studylab.allocation.models import AllocationList, ListEntry
from studylab.allocation.rules.design import made_list, places_of, proposed
from studylab.allocation.rules.drbg import SEED_BYTES
from studylab.allocation.rules.sealed_list import numbers_for
from studylab.allocation.services import entry_issue
from studylab.codes import participant_code
from studylab.management.benchmarks import Measured, benchmark, rolled_back
from studylab.participants.models import Consent, Participant, Person
from studylab.people.models import Signature, User
from studylab.people.services.signatures import content_hash
from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.rules.loader import load_protocol, protocol_hash

CONNECTIONS = 16
DOCUMENT = Path(studylab.studies.__file__).parent / "documents" / "demo.toml"


def _document(length: int) -> str:
    text = DOCUMENT.read_text(encoding="utf-8")
    return text.replace("length = 60 ", f"length = {max(length, 48)} ", 1)


@benchmark(
    "allocation.generate",
    unit="numbers per second",
    reference="plain SQL inserts of the same rows",
    size=10_000,
    tiny=60,
)
def generate_speed(size: int) -> Measured:
    """Make a list, seal every number of it and write it; then only write as many rows."""
    with rolled_back():
        made = _study(size)
        began = perf_counter()
        _numbers(made.sealed, size)
        ours = perf_counter() - began
        rows: list[Any] = list(
            ListEntry.objects.filter(list=made.sealed).values_list(
                "number", "stratum", "position", "box"
            )
        )
        with connection.cursor() as cursor:
            cursor.execute(
                "CREATE TEMP TABLE plain_numbers (number text, stratum text, position int, box bytea) ON COMMIT DROP"
            )
            began = perf_counter()
            cursor.executemany("INSERT INTO plain_numbers VALUES (%s, %s, %s, %s)", rows)
            plain = perf_counter() - began
    return Measured(len(rows) / ours, plain / ours)


@benchmark(
    "allocation.issue",
    unit="numbers per second from 16 connections",
    reference="plain SQL updates of as many rows under one lock, from 16 connections",
    size=800,
    tiny=16,
)
def issue_speed(size: int) -> Measured:
    """Issue numbers from sixteen connections at once; then take as many rows of a bare table in order."""
    if settings.ENVIRONMENT == "production":
        raise CommandError(
            "allocation.issue writes and removes a study; it is not run on a site in use."
        )
    with _committed(size) as made:
        ours = _from_all(
            [lambda p=person: made.issue(p) for person in made.people]  # type: ignore[misc]
        )
        issued = ListEntry.objects.filter(list=made.sealed, participant__isnull=False).count()
        if issued != len(made.people):
            raise AssertionError(f"{issued} of {len(made.people)} numbers were issued.")
        plain = _from_all([_take_plain] * len(made.people))
    return Measured(len(made.people) / ours, plain / ours)


class _Made:
    def __init__(self, study: Study, sealed: AllocationList, actor: Actor) -> None:
        self.study, self.sealed, self.actor = study, sealed, actor
        self.people: list[Participant] = []

    def issue(self, person: Participant) -> None:
        entry_issue(participant=person, stratum_values={}, actor=self.actor)


def _study(length: int) -> _Made:
    """Return a study with a list that has no numbers yet. Nobody signs in as its one user."""
    now, text = clock.now() - timedelta(hours=3), _document(length)
    plan = load_protocol(text)
    mark = secrets.token_hex(4)
    user = User.objects.create(email=f"bench-{mark}@lab.example", name="Benchmark", added_at=now)
    study = Study.objects.create(
        slug=f"bench-{mark}", title=plan.title, short_title=plan.short_title,
        timezone=plan.timezone, code_prefix="BM", state="open", created_at=now, languages=["en"],
    )  # fmt: skip
    version = ProtocolVersion.objects.create(
        study=study, number=1, document=text, sha256=protocol_hash(text), added_at=now
    )
    signature = _signature(user, study)
    signature.save()
    design = proposed("permuted_blocks", plan.allocation)
    sealed = AllocationList.objects.create(
        study=study, protocol_version=version, generator_version=design.name, length=length,
        commitment="0" * 64, box=b"", sealed_at=now, sealed_by=user, sealing=signature,
    )  # fmt: skip
    actor = Actor(user.pk, user.name, study.pk, frozenset({Role.COORDINATOR}))
    return _Made(study, sealed, actor)


def _signature(user: User, study: Study) -> Signature:
    return Signature(
        user=user, printed_name=user.name, role="", study=study, meaning="benchmark",
        subject_type="benchmark", subject_code="", content={}, content_hash=content_hash({}),
        signed_at=clock.now() - timedelta(hours=2),
    )  # fmt: skip


def _numbers(sealed: AllocationList, length: int) -> None:
    plan = load_protocol(_document(length)).allocation
    design = proposed("permuted_blocks", plan)
    rows = made_list(plan=plan, design=design, seed=secrets.token_bytes(SEED_BYTES))
    places = places_of(plan, design)
    ListEntry.objects.bulk_create(
        (
            ListEntry(
                list=sealed, number=number, stratum=stratum, position=position,
                box=seal_entry(row.arm, study=sealed.study, number=number),
                open_levels=dict(row.open_levels),
            )
            for number, (stratum, position), row in zip(
                numbers_for(places), places, rows, strict=True
            )
        ),
        batch_size=1000,
    )  # fmt: skip


@contextmanager
def _committed(size: int) -> Iterator[_Made]:
    """Write a study whose people may all get a number, and take everything away again afterwards."""
    try:
        with transaction.atomic():
            made = _study(size)
            _numbers(made.sealed, size)
            made.people = _people(made, size)
        with connection.cursor() as cursor:
            cursor.execute("DROP TABLE IF EXISTS bench_numbers")
            cursor.execute("CREATE TABLE bench_numbers (id serial PRIMARY KEY, taken timestamptz)")
            cursor.execute(
                "INSERT INTO bench_numbers (taken) SELECT NULL FROM generate_series(1, %s)", [size]
            )
        yield made
    finally:
        _remove(made)


def _people(made: _Made, size: int) -> list[Participant]:
    now, study = clock.now(), made.study
    persons = Person.objects.bulk_create(Person(created_at=now) for _ in range(size))
    people = Participant.objects.bulk_create(
        Participant(
            study=study, person=person, serial=serial, status_at=now, added_at=now,
            code=participant_code(serial, "BM"),
        )
        for serial, person in enumerate(persons, start=1)
    )  # fmt: skip
    before = now - timedelta(hours=2)
    Consent.objects.bulk_create(
        Consent(
            participant=person, kind="study", version="1", method="paper", signed_at=before,
            recorded_at=before,
        )
        for person in people
    )  # fmt: skip
    version = study.protocol_versions.get()
    assessments = Assessment.objects.bulk_create(
        Assessment(
            participant=person, gate="screening", outcome="clear", findings=[], missing=[],
            table_version="bench", table_hash="0" * 64, protocol_version=version,
            inputs_digest="0" * 64, made_at=now - timedelta(hours=1),
        )
        for person in people
    )  # fmt: skip
    user = made.sealed.sealed_by
    signatures = Signature.objects.bulk_create(_signature(user, study) for _ in people)
    SignOff.objects.bulk_create(
        SignOff(
            participant=assessment.participant, assessment=assessment, decision="eligible",
            signature=signature, reason="", signed_at=now - timedelta(minutes=30),
            valid_until=now + timedelta(days=1),
        )
        for assessment, signature in zip(assessments, signatures, strict=True)
    )  # fmt: skip
    return list(people)


def _from_all(jobs: list[Callable[[], object]]) -> float:
    """Do the jobs from sixteen connections and return the seconds it took.

    Inside somebody's transaction, as in a test, other connections would not see the rows: one does them all.
    """
    if connection.in_atomic_block:
        began = perf_counter()
        for job in jobs:
            job()
        return perf_counter() - began
    waiting: Queue[Callable[[], object]] = Queue()
    for job in jobs:
        waiting.put(job)
    problems: list[BaseException] = []
    gate = threading.Barrier(CONNECTIONS + 1)
    threads = [
        threading.Thread(target=_work, args=(waiting, gate, problems)) for _ in range(CONNECTIONS)
    ]
    for thread in threads:
        thread.start()
    gate.wait()
    began = perf_counter()
    for thread in threads:
        thread.join()
    if problems:
        raise problems[0]
    return perf_counter() - began


def _work(
    waiting: Queue[Callable[[], object]], gate: threading.Barrier, problems: list[BaseException]
) -> None:
    connection.ensure_connection()
    gate.wait()
    try:
        while True:
            waiting.get_nowait()()
    except Empty:
        pass
    except Exception as problem:  # noqa: BLE001  (raised again by whoever waits)
        problems.append(problem)
    finally:
        connection.close()


def _take_plain() -> None:
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT id FROM bench_numbers WHERE id = 1 FOR UPDATE")
        cursor.execute(
            "UPDATE bench_numbers SET taken = now() WHERE id = "
            "(SELECT id FROM bench_numbers WHERE taken IS NULL ORDER BY id LIMIT 1)"
        )


def _remove(made: _Made) -> None:
    """Take the study away; what the trail says of it stays, since its chain may hold it already."""
    study = made.study.pk
    people = "SELECT id FROM participants_participant WHERE study_id = %s"
    with pgtrigger.ignore(), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("DROP TABLE IF EXISTS bench_numbers")
        for table in ("screening_signoff", "screening_assessment", "participants_consent"):
            cursor.execute(f"DELETE FROM {table} WHERE participant_id IN ({people})", [study])  # noqa: S608
        cursor.execute("DELETE FROM allocation_listentry WHERE list_id = %s", [made.sealed.pk])
        cursor.execute("DELETE FROM allocation_allocationlist WHERE id = %s", [made.sealed.pk])
        cursor.execute(
            "DELETE FROM participants_participant WHERE study_id = %s RETURNING person_id", [study]
        )
        persons = [row[0] for row in cursor.fetchall()]
        cursor.execute("DELETE FROM participants_person WHERE id = ANY(%s)", [persons])
        cursor.execute("DELETE FROM people_signature WHERE study_id = %s", [study])
        cursor.execute("DELETE FROM studies_protocolversion WHERE study_id = %s", [study])
        cursor.execute("DELETE FROM studies_study WHERE id = %s", [study])
        cursor.execute("DELETE FROM people_user WHERE id = %s", [made.actor.user_id])
