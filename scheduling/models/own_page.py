"""What volunteers do about their visits on their own page: confirm one, ask for another time."""

import uuid

from django.db import models
from django.db.models import Q

from scheduling.models.series import Visit
from scheduling.models.wishes import OptionHold
from studylab.audit.history import append_only, fits
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.participants.models.consent import consent_first
from studylab.people.models import User


class VisitConfirmation(models.Model):
    """A volunteer says that they come at `start`; after a move to another time it no longer counts."""

    participant = models.ForeignKey(
        Participant, on_delete=models.PROTECT, related_name="confirmations"
    )
    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, related_name="confirmations")
    start = models.DateTimeField()
    at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["visit", "start"], name="visit_confirmed_once"),
        ]
        triggers = [
            *append_only(),
            consent_first("at"),
            fits(
                "confirmation_of_own_visit", column="visit_id", table="scheduling_visit",
                same=("participant_id",), sentence="The visit is another volunteer's.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"{self.visit} confirmed"


class MoveProposal(models.Model):
    """A volunteer asks for the times of `hold`. It lapses with the hold unless it was answered before."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(
        Participant, on_delete=models.PROTECT, related_name="move_proposals"
    )
    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, related_name="move_proposals")
    hold = models.OneToOneField(OptionHold, on_delete=models.PROTECT, related_name="proposal")
    old_start = models.DateTimeField()
    new_start = models.DateTimeField()
    at = models.DateTimeField()

    class Meta:
        ordering = ["id"]
        triggers = [
            *append_only(),
            consent_first("at"),
            fits(
                "proposal_of_own_visit", column="visit_id", table="scheduling_visit",
                same=("participant_id",), sentence="The visit is another volunteer's.",
            ),
            fits(
                "proposal_of_own_hold", column="hold_id", table="scheduling_optionhold",
                same=("participant_id",), sentence="The time is held for another volunteer.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"other time asked for {self.visit}"


class MoveAnswer(models.Model):
    """What became of a proposal: accepted, or declined with a word to the volunteer."""

    proposal = models.OneToOneField(MoveProposal, on_delete=models.PROTECT, related_name="answer")
    accepted = models.BooleanField()
    word = models.CharField(max_length=300, blank=True)
    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(accepted=True) | ~Q(word=""), name="move_declined_with_word"
            ),
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return "accepted" if self.accepted else "declined"


explain(
    {
        "visit_confirmed_once": (Conflict, "This visit is confirmed already."),
        "move_declined_with_word": (Refused, "Say a word to the volunteer: they read it."),
        "scheduling_moveproposal_hold_id_key": (Conflict, "This time is asked for already."),
        "scheduling_moveanswer_proposal_id_key": (
            Conflict,
            "Somebody else answered this meanwhile.",
        ),
    }
)
