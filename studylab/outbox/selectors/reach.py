"""How a volunteer is reached: the channel, the number, the clock that quiet hours go by."""

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from studylab.outbox.models import Reach
from studylab.outbox.texting import gateway
from studylab.participants.models import Participant
from studylab.participants.rules.details import PHONE_MOST, ContactDetails


def reach_of(participant: Participant) -> Reach | None:
    """Return what the volunteer said last about messages."""
    return Reach.objects.filter(participant=participant).order_by("-id").first()


def zone_of(participant: Participant) -> ZoneInfo:
    """Return the zone by whose clock the volunteer's quiet hours are counted."""
    reach = reach_of(participant)
    return ZoneInfo(reach.zone) if reach and reach.zone else participant.study.zone


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


def way_of(participant: Participant, details: ContactDetails) -> Way:
    """Return how a message is to go: as the volunteer wishes where it can, by the other way where it cannot."""
    reach = reach_of(participant)
    may_text = (
        reach is not None
        and reach.short_agreed
        and gateway() is not None
        and can_be_texted(details.phone)
    )
    wants = reach is not None and (reach.channel == Reach.Channel.SHORT or not details.email)
    return Way(details.email, dialled(details.phone) if may_text and wants else "")
