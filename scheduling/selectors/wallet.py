"""Which wallet card a volunteer carries, and who carries one with telephone numbers that no longer hold."""

from scheduling.models import AfterContact, WalletCard
from studylab.allocation.selectors.blinding import emergency_numbers
from studylab.participants.models import Participant
from studylab.studies.models import Study


def card_carried(participant: Participant) -> WalletCard | None:
    """Return the newest card that was handed over."""
    cards = WalletCard.objects.filter(participant=participant).select_related("by")
    return cards.order_by("id").last()


def is_outdated(card: WalletCard | None, study: Study) -> bool:
    """Whether the card names other telephone numbers than the study does now."""
    return card is not None and card.numbers != emergency_numbers(study)


def outdated_cards(study: Study) -> list[WalletCard]:
    """Return the cards with old numbers of everybody who still carries one, the oldest first.

    A card is carried until the volunteer was reached after the dose.
    """
    reached = AfterContact.objects.filter(participant__study=study, reached=True)
    newest = (
        WalletCard.objects.filter(
            participant__study=study, participant__status=Participant.Status.ACTIVE
        )
        .exclude(participant__in=reached.values("participant"))
        .order_by("participant_id", "-id")
        .distinct("participant_id")
        .select_related("participant")
    )
    now = emergency_numbers(study)
    found = [card for card in newest if card.numbers != now]
    return sorted(found, key=lambda card: card.pk)
