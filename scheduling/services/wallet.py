"""Noting that a volunteer was given a wallet card."""

from scheduling.models import WalletCard
from scheduling.services.running import user_of
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.selectors.blinding import emergency_numbers
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.participants.models import Participant
from studylab.participants.services.checks import lock_participant


@service
def wallet_card_handed(*, participant: Participant, actor: Actor) -> WalletCard:
    """Record that the volunteer holds a card printed with the telephone numbers of now."""
    require(actor, Cap.CONTACT_RECORD)
    participant = lock_participant(participant, actor)
    card = WalletCard.objects.create(
        participant=participant, numbers=emergency_numbers(participant.study),
        handed_at=clock.now(), by_id=user_of(actor),
    )  # fmt: skip
    audit(
        actor=actor, action=Action.WALLET_CARD_HANDED, subject_type="participant",
        subject_code=participant.code, participant_code=participant.code, data={},
    )  # fmt: skip
    return card
