"""Fills a large site from the story: study by study, each in one transaction."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from random import Random
from time import perf_counter

from django.db import connection, transaction

from scheduling.models import Place
from studylab import clock
from studylab.errors import RefusedWithReasons
from studylab.management.demo.lab import Lab
from studylab.management.demo.large.copied import DOSED, MEASURED, SIGNED, TRAIL, WHO
from studylab.management.demo.large.lab_rooms import earlier_rooms, further_rooms
from studylab.management.demo.large.people import TABLES, contacts, enrol
from studylab.management.demo.large.rows import Rows, names_for, run
from studylab.management.demo.large.signing import digests, sign
from studylab.management.demo.large.spread import Share, spread
from studylab.management.demo.large.story import Story, story_of
from studylab.management.demo.large.studies import begin
from studylab.management.demo.large.supply import hand_out, issue
from studylab.studies.services import study_state_set

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Filled:
    """What was written."""

    studies: int
    volunteers: int
    rows: int
    seconds: float


def fill(*, lab: Lab, now: datetime, volunteers: int, studies: int, seed: int, say: Say) -> Filled:
    """Bring the site to so many volunteers and studies, the story's own included."""
    began, dice = perf_counter(), Random(f"large {seed}")  # noqa: S311 (invented people, nothing secret)
    story, rows = story_of(lab.study, now), Rows()
    for table in TABLES:
        run(table)
    story.number_rows(rows)
    shares = spread(
        volunteers=volunteers - len(story.people), studies=studies - 1, all_people=len(story.people),
        past_people=len(story.movable), dice=dice,
    )  # fmt: skip
    olds = list(
        Place.objects.filter(bookings__visit__participant__study=lab.study)
        .distinct()
        .select_related("resource__user")
    )
    with clock.travel(now):
        earlier_rooms(
            lab, olds, 1 + max((group.lane for one in shares for group in one.groups), default=0)
        )
    people = 0
    for share in shares:
        people += _study(lab, share, story, rows, olds, people, dice)
        say(
            f"Study {share.number + 1} of {studies} ({share.state}): {people:,} further volunteers, {rows.written:,} rows"
        )
    _analyse()
    return Filled(len(shares), people, rows.written, perf_counter() - began)


@transaction.atomic
def _study(
    lab: Lab, share: Share, story: Story, rows: Rows, olds: list[Place], before: int, dice: Random
) -> int:
    study, own = begin(lab, share, story)
    if not share.groups:
        return 0
    for group in share.groups:
        if group.live:
            with clock.travel(story.now):
                further_rooms(own, olds, group.lane)
    # Every guard asks for this setting; where there is none, that is an error and a savepoint taken back, at whose end
    # PostgreSQL looks through all references it has yet to check: hundreds of thousands here. So nothing is ignored, in words.
    run("SELECT set_config('pgtrigger.ignore', '{}', true)")
    rows.begin()
    names = names_for(rows)
    version = study.protocol_versions.get(number=1)
    enrol(study, version.pk, share.groups, story)
    for copied in WHO:
        rows.copy(copied, names)
    count = contacts(rows, before, story.now.date(), dice)
    for copied in MEASURED:
        rows.copy(copied, names)
    rows.send_reports()
    digests(rows, study)
    sign(rows, story, study)
    for copied in SIGNED:
        rows.copy(copied, names)
    issue(rows, story, study)
    hand_out(rows, story, study, own.actor("pharmacist"))
    for copied in (*DOSED, TRAIL):
        rows.copy(copied, names)
    _end(own, share, story)
    return count


def _end(own: Lab, share: Share, story: Story) -> None:
    """Pause or close the study where that is its state."""
    if share.state in ("open", "setup"):
        return
    with clock.travel(story.now):
        try:
            study_state_set(
                study=own.study,
                state=share.state,
                reason="Everybody planned has been seen.",
                actor=own.actor("lead"),
            )
        except RefusedWithReasons as left:
            raise RuntimeError("; ".join(left.reasons)) from left


def _analyse() -> None:
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")
