"""The tick: what stands for whom, what goes on to somebody else, and which mails are due."""

from collections import defaultdict
from collections.abc import Iterator
from datetime import datetime, timedelta

from django.db import connection

from studylab import clock
from studylab.access import Actor, Role
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.notices.models import Escalation, Standing, Wish
from studylab.notices.rules.urgency import Thing, ladder, steps_due
from studylab.notices.selectors.needs import needs_of, read_states, things_for
from studylab.outbox.kinds import Planned
from studylab.outbox.services.queue import queue_rows
from studylab.people.models import Membership
from studylab.people.selectors import today_in
from studylab.people.selectors.people import holding_on
from studylab.reports.selectors.path import people_on_path
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

_LOCK = 8_204_311  # names our lock among the advisory ones
_USEFUL = timedelta(hours=6)


@service
def notices_stand(*, study: Study, actor: Actor) -> None:
    """Take down what stands now, let what nobody read go on, and queue mails. A second tick at once does nothing."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_xact_lock(%s, %s)", [_LOCK, study.pk])
        if not cursor.fetchone()[0]:
            return
    now = clock.now()
    people = people_on_path(study, now)
    for role in Role:
        _take_down(study, role, things_for(study, [role], now, people), now)
    _escalate(study, now, actor)
    holders = _holders(study)
    queue_rows([*_urgent_mails(study, holders, now), *_digests(study, holders, now)])


def _take_down(study: Study, role: Role, things: list[Thing], now: datetime) -> None:
    """Bring the rows of one role in line with what stands for it."""
    rows = {row.key: row for row in Standing.objects.filter(study=study, role=role, gone_at=None)}
    gone = set(rows) - {one.key for one in things}
    Standing.objects.filter(pk__in=[rows[key].pk for key in gone]).update(gone_at=now)
    changed = [one for one in things if one.key in rows and one.state != rows[one.key].state]
    read = read_states(study, [one.key for one in changed])
    for one in changed:
        row = rows[one.key]
        # Nobody read it as it stood, so the clock of its escalation goes on; else, or newly red, it begins again.
        begins = (row.key, row.state) in read or (one.is_urgent and row.shape != "stop")
        row.since = now if begins else row.since
        row.state, row.shape, row.changed_at = one.state, one.shape, now
        row.save(update_fields=["state", "shape", "changed_at", "since"])
    Standing.objects.bulk_create(
        Standing(
            study=study, role=role, key=one.key, state=one.state, title=one.title[:120], label=one.label[:120],
            url=one.url[:400], shape=one.shape or "info", since=now, changed_at=now,
        )
        for one in things
        if one.key not in rows
    )  # fmt: skip


def _escalate(study: Study, now: datetime, actor: Actor) -> None:
    """Let each red thing that nobody has read go on to the roles whose turn has come."""
    plan = current_protocol(study).plan.notices
    owners: dict[str, list[Standing]] = defaultdict(list)
    for row in Standing.objects.filter(study=study, gone_at=None, shape="stop").order_by(
        "since", "id"
    ):
        owners[row.key].append(row)
    read = read_states(study, list(owners))
    gone: dict[tuple[str, datetime], list[str]] = defaultdict(list)
    for done in Escalation.objects.filter(study=study, key__in=owners).order_by("step"):
        gone[done.key, done.since].append(done.role)
    for key, rows in owners.items():
        first = rows[0]
        told = gone[key, first.since]
        if any((key, row.state) in read for row in rows):
            continue
        next_roles = ladder([*(row.role for row in rows), *told], plan, now.astimezone(study.zone))
        due = steps_due(first.since, plan, now) - len(told)
        for role in next_roles[: max(0, due)]:
            told.append(role)
            Escalation.objects.create(
                study=study, key=key, since=first.since, step=len(told), role=role, at=now
            )
            audit(
                actor=actor, action=Action.NOTICE_ESCALATED, subject_type="notice", subject_code=key,
                study_id=study.pk, data={"what": first.title, "to": role, "step": len(told)},
            )  # fmt: skip


def _holders(study: Study) -> dict[int, tuple[Membership, set[str]]]:
    """Return who holds which roles today, by account."""
    found: dict[int, tuple[Membership, set[str]]] = {}
    holding = Membership.objects.filter(
        holding_on(today_in(study.timezone)), study=study, user__is_active=True
    )
    for one in holding.select_related("user").order_by("id"):
        found.setdefault(one.user_id, (one, set()))[1].add(one.role)
    return found


def _urgent_mails(
    study: Study, holders: dict[int, tuple[Membership, set[str]]], now: datetime
) -> Iterator[Planned]:
    """Yield a mail for each red thing that began to stand, or went on, in the last hours; each once."""
    after = now - _USEFUL
    red = Standing.objects.filter(study=study, gone_at=None, shape="stop")
    told = [(row.role, row.key, row.since) for row in red if row.since >= after]
    standing = {(row.key, row.since) for row in red if row.role != Role.PHARMACIST}
    steps = Escalation.objects.filter(study=study, at__gte=after)
    told += [(one.role, one.key, one.since) for one in steps if (one.key, one.since) in standing]
    for user_id, (one, roles) in sorted(holders.items()):
        mine = {(key, since) for role, key, since in told if role in roles}
        for key, since in sorted(mine):
            yield Planned(
                kind="notice_urgent", study=study, user=one.user, about=f"notice:{key}", due_at=now,
                useful_until=now + _USEFUL, key=f"notice:{study.pk}:{key}:{since.timestamp():.0f}:{user_id}",
            )  # fmt: skip


def _digests(
    study: Study, holders: dict[int, tuple[Membership, set[str]]], now: datetime
) -> Iterator[Planned]:
    """Yield the digest of whose hour has come today and who has something unread."""
    local = now.astimezone(study.zone)
    wishes = {one.user_id: one for one in Wish.objects.filter(study=study)}
    for user_id, (one, roles) in sorted(holders.items()):
        wish = wishes.get(user_id) or Wish()
        due = wish.digest and wish.hour <= local.hour < wish.hour + 6
        if due and needs_of(study, user_id, roles).rows:
            yield Planned(
                kind="notice_digest", study=study, user=one.user, about="notice:digest", due_at=now,
                useful_until=now + _USEFUL, key=f"digest:{study.pk}:{local:%Y-%m-%d}:{user_id}",
            )  # fmt: skip
