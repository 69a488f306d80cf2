"""Mails to pharmacists, to nobody else: few numbers are left, kits can be used for a short time only.

Their words say only that something waits in the dispensary: a mail may be seen by whoever sits beside.
"""

import hashlib
from collections.abc import Iterable
from datetime import datetime, time, timedelta

from studylab.access import Role
from studylab.allocation.selectors.running_low import expiring, few_left, kit_notice
from studylab.outbox.kinds import Audience, MessageKind, Planned
from studylab.outbox.models import Message
from studylab.outbox.to_staff import LINK, left_roles, link_to, to_roles
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

LIST_LOW, KIT_EXPIRING = "list_low", "kit_expiring"
USEFUL = timedelta(days=7)
_ROLES = (Role.PHARMACIST,)
_OVER = "It is not so any more."


def planned_for_pharmacists(study: Study, now: datetime) -> Iterable[Planned]:
    """Return what pharmacists hear of now, where the study document names it."""
    plan = current_protocol(study).plan.messages
    if plan.list_left is not None:
        for stratum, list_id in _low(study):
            yield from to_roles(
                study, _ROLES, kind=LIST_LOW, about=f"list:{stratum}", due_at=now,
                useful_until=now + USEFUL, occasion=f"{list_id}:{stratum}",
            )  # fmt: skip
    if plan.kit_days is not None:
        zone, notice = study.zone, kit_notice(study)
        for batch in expiring(study, now.astimezone(zone).date()):
            last = datetime.combine(batch.usable_until + timedelta(days=1), time(), zone)
            yield from to_roles(
                study, _ROLES, kind=KIT_EXPIRING, about=f"batch:{batch.pk}", due_at=last - notice,
                useful_until=last, occasion=f"{batch.pk}",
            )  # fmt: skip


def _low(study: Study) -> list[tuple[str, int]]:
    """Return the strata that run low, each by a short name, since theirs may be long."""
    rows = few_left(study)
    return [(hashlib.sha256(one.stratum.encode()).hexdigest()[:16], one.list_id) for one in rows]


def _list_wanted(message: Message, _now: datetime) -> str:
    assert message.study is not None, "about a study"
    about = message.about.partition(":")[2]
    stands = about in {stratum for stratum, _ in _low(message.study)}
    return left_roles(message, _ROLES) if stands else _OVER


def _kit_wanted(message: Message, now: datetime) -> str:
    assert message.study is not None, "about a study"
    study, about = message.study, message.about.partition(":")[2]
    at_hand = expiring(study, now.astimezone(study.zone).date())
    stands = about in {str(batch.pk) for batch in at_hand}
    return left_roles(message, _ROLES) if stands else _OVER


def _values(message: Message) -> dict[str, str]:
    return {"link": link_to(message, "dispensary")}


KINDS = (
    MessageKind(LIST_LOW, Audience.STAFF, "Few numbers are left", (LINK,), _values, _list_wanted),
    MessageKind(KIT_EXPIRING, Audience.STAFF, "Kits expire soon", (LINK,), _values, _kit_wanted),
)
