"""The volunteers of one study's groups: codes, and contact details sealed for each."""

from collections.abc import Iterator
from datetime import date
from random import Random
from uuid import UUID

from django.db import connection

from studylab import codes
from studylab.management.demo.large.names import details
from studylab.management.demo.large.rows import Rows, copy_in, run
from studylab.management.demo.large.spread import RECENT, Group
from studylab.management.demo.large.story import Story
from studylab.participants.contact import box_seal, identity_keys
from studylab.participants.models import Person
from studylab.studies.models import Study

TABLES = (
    "CREATE TEMPORARY TABLE large_group (n int PRIMARY KEY, key text, days int, lane int, live boolean,"
    " study_id bigint, version_id bigint)",
    "CREATE TEMPORARY TABLE large_person (n int, place int, code text, serial int, gone boolean, newest bigint,"
    " digest text, number text, kit_id bigint, kit_number text, PRIMARY KEY (n, place))",
    "CREATE TEMPORARY TABLE large_digest (n int, place int, digest text)",
    "CREATE TEMPORARY TABLE large_number (turn int, entry bigint, who bigint, at timestamptz, n int, place int,"
    " number text, by_id bigint)",
    "CREATE TEMPORARY TABLE large_kit (n int, place int, kit bigint, number text, entry bigint)",
    "CREATE TEMPORARY TABLE large_place (lane int, old bigint, place bigint, PRIMARY KEY (lane, old))",
)


def places_of(group: Group, story: Story) -> tuple[int, ...]:
    """Return which volunteers of the story live in the group."""
    everybody = tuple(range(len(story.people))) if group.live else story.movable
    return everybody[: group.people]


def enrol(study: Study, version: int, groups: tuple[Group, ...], story: Story) -> int:
    """Write who lives in each group, oldest group first, as codes are given in the order of time."""
    for table in ("large_group", "large_person", "large_digest", "large_number", "large_kit"):
        run(f"DELETE FROM {table}")  # noqa: S608 (our own names)
    copy_in(
        "large_group",
        "n, key, days, lane, live, study_id, version_id",
        (
            (
                one.number,
                f":{study.pk}:{one.number}",
                one.days,
                one.lane,
                one.live,
                study.pk,
                version,
            )
            for one in groups
        ),
    )
    count = copy_in(
        "large_person", "n, place, code, serial, gone, newest", _people(study, groups, story)
    )
    run("ANALYZE large_group, large_person")
    return count


def _people(
    study: Study, groups: tuple[Group, ...], story: Story
) -> Iterator[tuple[int, int, str, int, bool, int | None]]:
    serial = 0
    for group in sorted(groups, key=lambda one: -one.days):
        for place in places_of(group, story):
            serial += 1
            code = codes.participant_code(serial, study.code_prefix)
            gone = group.days > RECENT and place in story.waiting
            yield group.number, place, code, serial, gone, story.newest.get(place)


def contacts(rows: Rows, first: int, today: date, dice: Random) -> int:
    """Seal the contact details of everybody just enrolled; return how many there were. `first` numbers them on."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT n, place FROM large_person ORDER BY n, place")
        ids = [rows.id_of(Person, n, place) for n, place in cursor.fetchall()]
    uids = dict(Person.objects.filter(pk__in=ids).values_list("pk", "uid"))
    known = [(pk, uids[pk], details(first + turn, today, dice)) for turn, pk in enumerate(ids)]
    moment = "now()"
    copy_in(
        "participants_contact", "person_id, box, changed_at",
        ((pk, box_seal(one, UUID(str(uid))), moment) for pk, uid, one in known),
    )  # fmt: skip
    copy_in(
        "participants_identitykey", "person_id, kind, digest",
        ((pk, kind, digest) for pk, _, one in known for kind, digest in dict.fromkeys(identity_keys(one))),
    )  # fmt: skip
    return len(ids)
