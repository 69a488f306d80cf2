"""Who wants to know their arm, who was told, and what to tell one person once the list is open."""

from dataclasses import dataclass, field
from datetime import datetime

from django.views.decorators.debug import sensitive_variables

from studylab.access import Actor
from studylab.allocation.models import ArmTelling, ArmWish, ListEntry
from studylab.allocation.selectors.assays import assay_rows
from studylab.allocation.selectors.opened import given_at
from studylab.allocation.selectors.unblinding import opening_state, read_opened
from studylab.audit.history import STANDS
from studylab.errors import Refused
from studylab.participants.models import Deviation, Participant
from studylab.studies.models import Study
from studylab.studies.selectors import plan_of

# Kinds of deviations after which the capsule swallowed may not be the one of the list.
OTHER_CAPSULE = ("kit", "dose", "identity")


@dataclass(frozen=True, slots=True)
class WishRow:
    """One volunteer with a number: what they answered, and whether they were told. None: not asked, not told."""

    participant: Participant
    wish: ArmWish | None
    telling: ArmTelling | None

    @property
    def to_tell(self) -> bool:
        """Whether they want to know and were not told."""
        return self.wish is not None and self.wish.wants == "yes" and self.telling is None

    @property
    def to_ask(self) -> bool:
        """Whether nobody asked, or they had not decided."""
        return self.telling is None and (self.wish is None or self.wish.wants == "open")


@dataclass(frozen=True, slots=True)
class ArmToTell:
    """What one person is told: the arm of their number, and when they took a capsule, None where none was taken."""

    arm_name: str = field(repr=False)
    given_at: datetime | None
    opened_at: datetime
    doubts: tuple[Deviation, ...]


def standing_arm_wish(participant: Participant) -> ArmWish | None:
    """Return the newest answer, None where nobody asked."""
    return (
        ArmWish.objects.select_related("recorded_by")
        .filter(STANDS, participant=participant)
        .first()
    )


def standing_telling(participant: Participant) -> ArmTelling | None:
    """Return the newest entry about telling; `told` false where it was taken back."""
    return (
        ArmTelling.objects.select_related("by", "recorded_by")
        .filter(STANDS, participant=participant)
        .first()
    )


def wish_rows(study: Study) -> list[WishRow]:
    """Return everybody who holds a number, by code: whom to tell, whom to ask, then the others."""
    held = ListEntry.objects.filter(list__study=study, participant__isnull=False)
    people = Participant.objects.filter(pk__in=held.values("participant"))
    wishes = ArmWish.objects.filter(STANDS, participant__study=study)
    tellings = ArmTelling.objects.filter(STANDS, participant__study=study, told=True)
    wish_of = {one.participant_id: one for one in wishes}
    telling_of = {one.participant_id: one for one in tellings.select_related("by")}
    rows = [
        WishRow(one, wish_of.get(one.pk), telling_of.get(one.pk))
        for one in people.order_by("code").select_related("study")
    ]
    return sorted(rows, key=lambda row: (not row.to_tell, not row.to_ask))


@sensitive_variables()
def arm_to_tell(participant: Participant, actor: Actor) -> ArmToTell:
    """Return what this person is told, through the gate of the opened list.

    Refused before two people have signed, while the list is not the one that was sealed, and while a laboratory
    result of theirs contradicts it unexplained: nobody is told something that may be wrong.
    """
    opening = opening_state(participant.study).opening
    if opening is None or opening.agreed_at is None:
        raise Refused("The list is not open: nobody can be told yet.")
    opened = read_opened(opening, actor)
    if not opened.agrees:
        raise Refused("The opened list is not the one that was sealed. Nobody is told from it.")
    name = next((row.arm_name for row in opened.rows if row.code == participant.code), None)
    if name is None:
        raise Refused(
            f"{participant.code} holds no number of the list, so there is no arm to tell."
        )
    plan = plan_of(opening.list.protocol_version)
    contradicted = [row for row in assay_rows(participant.study, opened, plan) if row.open]
    if any(row.assay.participant_id == participant.pk for row in contradicted):
        raise Refused(
            "A laboratory result contradicts the list. It is explained before they are told."
        )
    doubts = Deviation.objects.filter(participant=participant, kind__in=OTHER_CAPSULE)
    return ArmToTell(
        name, given_at(participant), opening.agreed_at, tuple(doubts.order_by("occurred_at", "id"))
    )
