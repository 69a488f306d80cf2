"""Recording how a volunteer wants to be reached."""

from datetime import datetime
from zoneinfo import available_timezones

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict, Refused
from studylab.outbox.models import Reach
from studylab.outbox.selectors.reach import can_be_texted, reach_of
from studylab.participants.models import Participant
from studylab.participants.selectors import contact_details
from studylab.participants.services.checks import lock_participant


@service
def reach_write(
    *, participant: Participant, channel: str, short_agreed: bool, zone: str, said_at: datetime,
    seen: int, actor: Actor,
) -> Reach:  # fmt: skip
    """Record what a volunteer said about messages. `seen` is the row that the page showed, 0 for none.

    `zone` is an IANA name, "" for the study's zone.
    """
    require(actor, Cap.VOLUNTEER_ADD)
    participant = lock_participant(participant, actor)
    before = reach_of(participant)
    if (before.pk if before else 0) != seen:
        raise Conflict("Somebody else changed this meanwhile. Look at it as it stands now.")
    if channel not in Reach.Channel.values:
        raise Refused("Choose e-mail or short message.", field="channel")
    if zone and zone not in available_timezones():
        raise Refused("There is no such time zone. Use a name such as America/Halifax.", field="zone")  # fmt: skip
    if channel == Reach.Channel.SHORT:
        _check_short(participant, short_agreed)
    if said_at > clock.now():
        raise Refused("This is later than now. Check date and time.", field="said_at")
    made = Reach.objects.create(
        participant=participant, channel=channel, short_agreed=short_agreed,
        zone="" if zone == participant.study.timezone else zone, said_at=said_at, recorded_at=clock.now(),
        recorded_by_id=actor.user_id,
    )  # fmt: skip
    audit(
        actor=actor, action=Action.REACH_RECORDED, subject_type="participant", subject_code=participant.code,
        participant_code=participant.code, data={"channel": channel, "short_agreed": short_agreed},
    )  # fmt: skip
    return made


def _check_short(participant: Participant, agreed: bool) -> None:
    if not agreed:
        raise Refused(
            "Short messages are sent only to volunteers who agreed to them.", field="short_agreed"
        )
    details = contact_details(participant.person)
    if details is None or not can_be_texted(details.phone):
        raise Refused(
            "The phone number must begin with + and the country's code, for example +1 902 555 0110. "
            "Change the contact details first.", field="channel",
        )  # fmt: skip
