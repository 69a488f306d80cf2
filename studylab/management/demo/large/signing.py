"""What a copy must have of its own: the digest of what was assessed, and signatures over what was signed."""

import hashlib
import json
from collections.abc import Iterator
from datetime import timedelta
from typing import Any
from uuid import UUID, uuid4

from django.db import connection

from screening.models import Assessment, SignOff
from screening.selectors.assessed import Records
from studylab.management.demo.large.rows import Rows, copy_in, run
from studylab.management.demo.large.story import Story
from studylab.participants.models import Participant
from studylab.people.models import Signature
from studylab.people.services.signatures import content_hash
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

_CHUNK = 500
_DAY = timedelta(days=1)


def digests(rows: Rows, study: Study) -> None:
    """Work out for everybody what an assessment of the rows now on record would be bound to."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT n, place FROM large_person WHERE newest IS NOT NULL")
        places = {rows.id_of(Participant, n, place): (n, place) for n, place in cursor.fetchall()}
    ids, protocol = sorted(places), current_protocol(study)
    for begin in range(0, len(ids), _CHUNK):
        people = list(Participant.objects.filter(pk__in=ids[begin : begin + _CHUNK]))
        for who in people:
            who.study = study
        records = Records(people)
        copy_in(
            "large_digest", "n, place, digest",
            ((*places[who.pk], records.inputs(who, protocol).digest) for who in people),
        )  # fmt: skip
    run(
        "UPDATE large_person p SET digest = d.digest FROM large_digest d WHERE d.n = p.n AND d.place = p.place"
    )


class _Signing:
    """What is needed to sign one copy after another."""

    def __init__(self, rows: Rows, story: Story, study: Study) -> None:
        self.rows, self.story, self.study = rows, story, study
        self.protocol = current_protocol(study).version.sha256
        self.signed = story.signatures()
        self.order = {pk: place for place, pk in enumerate(sorted(self.signed))}
        of = SignOff.objects.filter(signature__in=list(self.signed))
        self.assessed: dict[int, int] = dict(of.values_list("signature", "assessment"))
        with connection.cursor() as cursor:
            cursor.execute("SELECT old, place FROM large_screening_assessment")
            self.place: dict[int, int] = dict(cursor.fetchall())

    def all(self) -> Iterator[tuple[Any, ...]]:
        """Yield the row of each signature."""
        by_owner: dict[int, list[int]] = {}
        for pk, (_, owner) in self.signed.items():
            by_owner.setdefault(owner, []).append(pk)
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT p.n, p.place, p.code, p.newest, p.digest, g.key, g.days"
                " FROM large_person p JOIN large_group g ON g.n = p.n ORDER BY p.n, p.place"
            )
            people = cursor.fetchall()
        for n, owner, code, newest, digest, key, days in people:
            for pk in by_owner.get(owner, ()):
                own = digest if self.assessed.get(pk) == newest else None
                yield self._row(pk, n, code, own, key, days)

    def _row(
        self, pk: int, n: int, code: str, digest: str | None, key: str, days: int
    ) -> tuple[Any, ...]:
        row, owner = self.signed[pk]
        was = self.story.people[owner].code
        content = json.loads(json.dumps(row.content).replace(was, code))
        subject = row.subject_code.replace(was, code)
        if pk in self.assessed:
            assessment = self.rows.id_of(Assessment, n, self.place[self.assessed[pk]])
            content |= {"assessment": assessment, "protocol": self.protocol}
            content |= {"inputs_digest": digest} if digest else {}
        elif subject == row.subject_code:  # an event or a deviation, by its identifier
            subject = str(UUID(hashlib.md5((subject + key).encode()).hexdigest()))  # noqa: S324 (as in SQL)
        return (
            self.rows.id_of(Signature, n, self.order[pk]), uuid4(), row.user_id, row.printed_name, row.role,
            self.study.pk, row.meaning, row.subject_type, subject, json.dumps(content), content_hash(content),
            row.signed_at - days * _DAY,
        )  # fmt: skip


def sign(rows: Rows, story: Story, study: Study) -> None:
    """Sign again for every copy what was signed in the story, over the copy's own content."""
    rows.written += copy_in(
        "people_signature",
        "id, uid, user_id, printed_name, role, study_id, meaning, subject_type, subject_code, content, content_hash,"
        " signed_at",
        _Signing(rows, story, study).all(),
    )
    run(
        "SELECT setval(pg_get_serial_sequence('people_signature', 'id'), (SELECT max(id) FROM people_signature))"
    )
