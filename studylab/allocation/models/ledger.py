"""The ledger of kit movements."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import F, Q

from studylab.allocation.models.checks import Excursion
from studylab.allocation.models.kits import Kit
from studylab.allocation.models.sql import line_may_follow, refuse_other_state
from studylab.audit.history import append_only, guard
from studylab.db import explain
from studylab.errors import Refused
from studylab.people.models import User


class KitMovement(models.Model):
    """One line of the ledger. Lines are added, never changed; the stock is their sum."""

    class What(models.TextChoices):
        RECEIVE = "receive", "received"
        PREPARE = "prepare", "prepared for a number"
        DISPENSE = "dispense", "handed out"
        GIVE = "give", "dose given"
        RETURN = "return", "returned"
        QUARANTINE = "quarantine", "put in quarantine"
        RELEASE = "release", "released from quarantine"
        DESTROY = "destroy", "destroyed"
        TRANSFER = "transfer", "transferred"
        LOSE = "lose", "not found"
        FIND = "find", "found again"

    # The trail names lines by this: kit numbers would tell which kits were moved together.
    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="movements")
    what = models.CharField(max_length=12, choices=What.choices)
    at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    second = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    participant_code = models.CharField(max_length=12, blank=True)
    visit_uid = models.UUIDField(null=True)
    reason = models.CharField(max_length=300, blank=True)
    excursion = models.ForeignKey(
        Excursion, on_delete=models.PROTECT, null=True, related_name="movements"
    )

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(second=None) | ~Q(second=F("by")), name="movement_two_people"
            ),
            models.CheckConstraint(
                condition=~Q(what__in=["dispense", "give", "lose", "find"])
                | Q(second__isnull=False),
                name="movement_checked_by_second",
            ),
            models.UniqueConstraint(
                fields=["kit"], condition=Q(what="give"), name="kit_given_once"
            ),
            models.CheckConstraint(
                condition=~Q(
                    what__in=[
                        "return",
                        "quarantine",
                        "release",
                        "destroy",
                        "transfer",
                        "lose",
                        "find",
                    ]
                )
                | ~Q(reason=""),
                name="movement_has_reason",
            ),
            models.CheckConstraint(
                condition=~Q(what__in=["dispense", "give"]) | ~Q(participant_code=""),
                name="movement_has_person",
            ),
        ]
        triggers = [
            *append_only(),
            guard(
                "kit_usable",
                operation=pgtrigger.Insert,
                check="""NEW.what NOT IN ('prepare', 'dispense', 'give') OR EXISTS (
                    SELECT 1 FROM allocation_kit k JOIN allocation_kitbatch b ON b.id = k.batch_id
                    JOIN studies_study s ON s.id = k.study_id
                    WHERE k.id = NEW.kit_id
                      AND b.usable_until >= (NEW.at AT TIME ZONE s.timezone)::date
                      AND k.state NOT IN ('quarantined', 'destroyed', 'transferred', 'missing')
                )""",
                sentence="This kit is past its date, in quarantine or destroyed. Take another one.",
            ),
            guard(
                "batch_identified",
                operation=pgtrigger.Insert,
                check="""NEW.what <> 'prepare' OR COALESCE((
                    SELECT c.agrees FROM allocation_batchcheck c JOIN allocation_kit k ON k.batch_id = c.batch_id
                    WHERE k.id = NEW.kit_id ORDER BY c.id DESC LIMIT 1), false)""",
                sentence="No kit of this batch is prepared before two people have checked what it holds.",
            ),
            guard(
                "line_follows",
                operation=pgtrigger.Insert,
                check=line_may_follow(),
                sentence="This movement cannot follow: the kit is not where it would start from.",
            ),
            guard(
                "line_of_own_number",
                operation=pgtrigger.Insert,
                check="""NEW.what NOT IN ('dispense', 'give') OR EXISTS (
                    SELECT 1 FROM allocation_kit k JOIN allocation_listentry e ON e.id = k.entry_id
                    JOIN participants_participant p ON p.id = e.participant_id
                    WHERE k.id = NEW.kit_id AND p.code = NEW.participant_code
                )""",
                sentence="This kit was prepared for somebody else.",
            ),
            guard(
                "nothing_after_opening",
                operation=pgtrigger.Insert,
                check="""NEW.what NOT IN ('prepare', 'dispense', 'give') OR NOT EXISTS (
                    SELECT 1 FROM allocation_reveal r
                    JOIN participants_participant p ON p.id = r.participant_id
                    JOIN allocation_kit k ON k.study_id = p.study_id
                    WHERE k.id = NEW.kit_id AND p.code = NEW.participant_code AND r.at < NEW.at
                )""",
                sentence="No kit is prepared, handed out or given for this volunteer any more. "
                "Ask the supervising physician.",
            ),
            # Checked when the transaction ends: until then a line may stand before its kit is changed.
            pgtrigger.Trigger(
                name="state_follows_line",
                operation=pgtrigger.Insert,
                when=pgtrigger.After,
                timing=pgtrigger.Deferred,
                func=refuse_other_state(),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.what} {self.uid}"


explain(
    {
        "kit_given_once": (Refused, "This kit was given already."),
        "movement_two_people": (Refused, "The second person must be somebody else."),
        "movement_checked_by_second": (
            Refused,
            "A second person checks every kit that is handed out.",
        ),
        "movement_has_reason": (Refused, "Say why: this movement needs a reason."),
    }
)
