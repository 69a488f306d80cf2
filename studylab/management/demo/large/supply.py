"""Allocation numbers and kits of one study's volunteers, issued and handed out in the order of time."""

import secrets
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import uuid4

from django.db import connection
from django.views.decorators.debug import sensitive_variables

from studylab.access import Actor
from studylab.allocation.gates import arm_of_batch, arm_to_prepare
from studylab.allocation.models import Kit, KitBatch, ListEntry
from studylab.management.demo.large.rows import Rows, copy_in, run
from studylab.management.demo.large.story import Story
from studylab.participants.models import Participant
from studylab.studies.models import Study

_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Lived:
    """One volunteer of the study's groups."""

    n: int
    place: int
    code: str
    days: int


def lived() -> list[Lived]:
    """Return everybody of the groups."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT p.n, p.place, p.code, g.days FROM large_person p JOIN large_group g ON g.n = p.n ORDER BY 1, 2"
        )
        return [Lived(*row) for row in cursor.fetchall()]


def issue(rows: Rows, story: Story, study: Study) -> None:
    """Issue the numbers in the order of the list, each at the moment at which the copied one was issued."""
    people = [one for one in lived() if one.place in story.numbered]
    people.sort(key=lambda one: (story.numbered[one.place][0] - one.days * _DAY, one.n, one.place))
    entries = ListEntry.objects.filter(list__study=study).order_by("position")
    taken = zip(people, entries.values_list("pk", "number"), strict=False)
    copy_in(
        "large_number", "turn, entry, who, at, by_id, n, place, number",
        (
            (turn, entry, rows.id_of(Participant, one.n, one.place), story.numbered[one.place][0] - one.days * _DAY,
             story.numbered[one.place][1], one.n, one.place, number)
            for turn, (one, (entry, number)) in enumerate(taken)
        ),
    )  # fmt: skip
    # One after the other: the list's guard looks whether an earlier number is still free.
    run(
        "DO $$ DECLARE r record; BEGIN FOR r IN SELECT * FROM large_number ORDER BY turn LOOP"
        " UPDATE allocation_listentry SET participant_id = r.who, issued_at = r.at, issued_by_id = r.by_id"
        " WHERE id = r.entry; END LOOP; END $$"
    )
    run(
        "UPDATE large_person p SET number = e.number FROM large_number e WHERE e.n = p.n AND e.place = p.place"
    )


@sensitive_variables()
def hand_out(rows: Rows, story: Story, study: Study, pharmacist: Actor) -> None:
    """Prepare, hand out and give a kit for every dose, from a batch that holds what the number wants."""
    shelf = _shelf(study, pharmacist)
    entries = {
        entry.participant_id: entry
        for entry in ListEntry.objects.filter(
            list__study=study, participant__isnull=False
        ).select_related("list__study", "list__protocol_version")
    }
    taken: list[tuple[Lived, Kit, ListEntry]] = []
    for one in lived():
        if one.place in story.ledger:
            entry = entries[rows.id_of(Participant, one.n, one.place)]
            taken.append((one, shelf[arm_to_prepare(entry, actor=pharmacist).key].pop(), entry))
    copy_in(
        "large_kit", "n, place, kit, number, entry",
        ((one.n, one.place, kit.pk, kit.number, entry.pk) for one, kit, entry in taken),
    )  # fmt: skip
    for what, state in (("prepare", "prepared"), ("dispense", "dispensed"), ("give", "given")):
        rows.written += copy_in(
            "allocation_kitmovement",
            "uid, kit_id, what, at, recorded_at, by_id, second_id, participant_code, reason",
            _lines(story, taken, what),
        )
        run(
            "UPDATE allocation_kit k SET state = %s, entry_id = m.entry FROM large_kit m WHERE m.kit = k.id",
            [state],
        )
    run(
        "UPDATE large_person p SET kit_id = k.kit, kit_number = k.number FROM large_kit k"
        " WHERE k.n = p.n AND k.place = p.place"
    )


@sensitive_variables()
def _shelf(study: Study, pharmacist: Actor) -> dict[str, list[Kit]]:
    """Return the kits in stock by what they hold, in random order."""
    version = study.protocol_versions.get(number=1)
    shelf: dict[str, list[Kit]] = {}
    for batch in KitBatch.objects.filter(study=study).select_related("study"):
        holds = arm_of_batch(batch, version=version, actor=pharmacist).key
        shelf.setdefault(holds, []).extend(batch.kits.filter(state="in_stock"))
    for kits in shelf.values():
        secrets.SystemRandom().shuffle(kits)
    return shelf


def _lines(
    story: Story, taken: list[tuple[Lived, Kit, ListEntry]], what: str
) -> Iterator[tuple[Any, ...]]:
    for one, kit, _ in taken:
        for line in story.ledger[one.place]:
            if line.what == what:
                yield (
                    uuid4(), kit.pk, what, _back(line.at, one), _back(line.recorded_at, one), line.by_id,
                    line.second_id, one.code if line.participant_code else "", line.reason,
                )  # fmt: skip


def _back(at: datetime, one: Lived) -> datetime:
    return at - one.days * _DAY
