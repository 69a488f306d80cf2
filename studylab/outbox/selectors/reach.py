"""How a volunteer is reached: the channel, the number, the clock that quiet hours go by."""

from collections.abc import Iterable
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from django.db import connection

from studylab.outbox.models import Reach
from studylab.outbox.texting import gateway, mail_is_on
from studylab.participants.models import Participant
from studylab.participants.rules.details import PHONE_MOST, ContactDetails


def reach_of(participant: Participant) -> Reach | None:
    """Return what the volunteer said last about messages."""
    return Reach.objects.filter(participant=participant).order_by("-id").first()


def zone_of(participant: Participant) -> ZoneInfo:
    """Return the zone by whose clock the volunteer's quiet hours are counted."""
    return zones_of([participant])[participant.pk]


def zones_of(participants: Iterable[Participant]) -> dict[int, ZoneInfo]:
    """Return by number of the volunteer the zone of their quiet hours, in one query."""
    people = {person.pk: person for person in participants}
    with connection.cursor() as cursor:
        cursor.execute(
            """
            SELECT DISTINCT ON (participant_id) participant_id, zone FROM outbox_reach
            WHERE participant_id = ANY(%s) ORDER BY participant_id, id DESC
            """,
            [list(people)],
        )
        said = dict(cursor.fetchall())
    return {key: ZoneInfo(said[key]) if said.get(key) else person.study.zone for key, person in people.items()}  # fmt: skip


def can_be_texted(phone: str) -> bool:
    """Whether a number has its country's code, so that a gateway can dial it from anywhere (ITU-T E.164)."""
    digits = sum(sign.isdigit() for sign in phone)
    return phone.strip().startswith("+") and 7 <= digits <= PHONE_MOST


def dialled(phone: str) -> str:
    """Return a number as gateways take it: a plus sign and digits."""
    return "+" + "".join(sign for sign in phone if sign.isdigit())


@dataclass(frozen=True, slots=True)
class Way:
    """By which way a message goes to a volunteer: `short_to` is a number, or "" for a mail to `mail_to`."""

    mail_to: str
    short_to: str


def way_of(participant: Participant, details: ContactDetails, *, quiet: bool = False) -> Way:
    """Return how a message is to go: as the volunteer wishes where it can, by the other way where it cannot.

    Without a mail server that is the telephone of who agreed to it. In quiet hours none rings: what cannot wait goes by
    mail, where there is an address.
    """
    reach = reach_of(participant)
    may_text = (
        reach is not None
        and reach.short_agreed
        and gateway() is not None
        and can_be_texted(details.phone)
    )
    by_mail = bool(details.email) and mail_is_on()
    wants = reach is not None and (reach.channel == Reach.Channel.SHORT or not by_mail)
    rings = may_text and wants and not (quiet and details.email)
    return Way(details.email, dialled(details.phone) if rings else "")
