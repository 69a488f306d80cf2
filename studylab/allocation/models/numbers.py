"""The sealed list and the numbers issued from it."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import Q

from studylab.audit.history import append_only, guard
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.people.models import Signature, User
from studylab.studies.models import ProtocolVersion, Study


class AllocationList(models.Model):
    """One sealed list. `box` holds seed, nonce and rows, encrypted; `commitment` is public."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.OneToOneField(Study, on_delete=models.PROTECT, related_name="allocation_list")
    protocol_version = models.ForeignKey(
        ProtocolVersion, on_delete=models.PROTECT, related_name="+"
    )
    generator_version = models.CharField(max_length=40)
    length = models.PositiveIntegerField()
    commitment = models.CharField(max_length=64)
    box = models.BinaryField()
    sealed_at = models.DateTimeField()
    sealed_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    sealing = models.ForeignKey(Signature, on_delete=models.PROTECT, related_name="+")

    class Meta:
        triggers = append_only()

    def __str__(self) -> str:
        return self.commitment

    @property
    def follows_people(self) -> bool:
        """Whether an arm is settled only when its number is issued, because it depends on who came before."""
        return self.generator_version.startswith("minimisation/")


class ListEntry(models.Model):
    """One number of the list. Its arm is in `box`, encrypted, of the same length for every arm.

    Once issued a number belongs to that person for ever, whatever becomes of them.
    """

    list = models.ForeignKey(AllocationList, on_delete=models.PROTECT, related_name="entries")
    number = models.CharField(max_length=12)
    stratum = models.CharField(max_length=80, blank=True)
    position = models.PositiveIntegerField()
    box = models.BinaryField()
    open_levels = models.JSONField(default=dict)  # factors that staff may know, once issued
    factor_levels = models.JSONField(default=dict)  # with minimisation, the person's own levels
    participant = models.OneToOneField(
        Participant, on_delete=models.PROTECT, null=True, related_name="entry"
    )
    issued_at = models.DateTimeField(null=True)
    issued_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        indexes = [
            # The next number is found at once, however many were issued before it.
            models.Index(
                fields=["list", "stratum", "position"],
                condition=Q(participant=None),
                name="list_waiting",
            )
        ]
        constraints = [
            models.UniqueConstraint(fields=["list", "number"], name="list_number_once"),
            models.UniqueConstraint(
                fields=["list", "stratum", "position"], name="list_position_once"
            ),
            models.CheckConstraint(
                condition=Q(participant=None, issued_at=None)
                | Q(participant__isnull=False, issued_at__isnull=False),
                name="list_issue_complete",
            ),
        ]
        triggers = [
            pgtrigger.Protect(name="never_deleted", operation=pgtrigger.Delete),
            append_only()[1],
            pgtrigger.Protect(
                name="issued_stays",
                operation=pgtrigger.Update,
                condition=pgtrigger.Condition("OLD.participant_id IS NOT NULL"),
            ),
            pgtrigger.Protect(
                name="sealed_stays",
                operation=pgtrigger.Update,
                condition=pgtrigger.Condition(
                    "OLD.number IS DISTINCT FROM NEW.number"
                    " OR OLD.list_id IS DISTINCT FROM NEW.list_id"
                    " OR OLD.position IS DISTINCT FROM NEW.position"
                    " OR OLD.stratum IS DISTINCT FROM NEW.stratum"
                ),
            ),
            # A minimised number gets its arm in the moment in which it is issued, and never again.
            guard(
                "arm_stays",
                operation=pgtrigger.Update,
                check="""(OLD.box IS NOT DISTINCT FROM NEW.box
                     AND OLD.open_levels IS NOT DISTINCT FROM NEW.open_levels
                     AND OLD.factor_levels IS NOT DISTINCT FROM NEW.factor_levels)
                    OR (OLD.participant_id IS NULL AND NEW.participant_id IS NOT NULL AND EXISTS (
                        SELECT 1 FROM allocation_allocationlist l WHERE l.id = NEW.list_id
                          AND l.generator_version LIKE 'minimisation/%'))""",
                sentence="What was sealed with a number stays as it is.",
            ),
            # All that guards an issue watches over changes: a number is never born issued.
            guard(
                "issued_later",
                operation=pgtrigger.Insert,
                check="NEW.participant_id IS NULL",
                sentence="A number is sealed first and issued later.",
            ),
            guard(
                "number_of_own_study",
                operation=pgtrigger.Update,
                check="""NEW.participant_id IS NULL OR EXISTS (
                    SELECT 1 FROM allocation_allocationlist l
                    JOIN participants_participant p ON p.study_id = l.study_id
                    WHERE l.id = NEW.list_id AND p.id = NEW.participant_id)""",
                sentence="The number is of another study's list.",
            ),
            guard(
                "number_in_order",
                operation=pgtrigger.Update,
                check="""NOT EXISTS (
                    SELECT 1 FROM allocation_listentry e
                    WHERE e.list_id = NEW.list_id AND e.stratum = NEW.stratum
                      AND e.position < NEW.position AND e.participant_id IS NULL
                )""",
                sentence="Numbers are issued in the order of the list.",
            ),
            guard(
                "number_after_sign_off",
                operation=pgtrigger.Update,
                check="""NEW.participant_id IS NULL OR (
                    EXISTS (
                        SELECT 1 FROM participants_consent c
                        WHERE c.participant_id = NEW.participant_id AND c.kind = 'study'
                          AND c.signed_at < NEW.issued_at
                          AND NOT EXISTS (
                              SELECT 1 FROM participants_consent s WHERE s.supersedes_id = c.id)
                    ) AND EXISTS (
                        SELECT 1 FROM screening_signoff s
                        WHERE s.participant_id = NEW.participant_id AND s.decision = 'eligible'
                          AND s.valid_until >= NEW.issued_at AND s.signed_at <= NEW.issued_at
                          AND s.id = (SELECT max(id) FROM screening_signoff
                                      WHERE participant_id = NEW.participant_id)
                          AND s.assessment_id = (SELECT max(id) FROM screening_assessment
                                      WHERE participant_id = NEW.participant_id AND gate = 'screening')
                    ))""",
                sentence="No number before the volunteer has consented and a clinician has signed a current "
                "eligible decision.",
            ),
        ]

    def __str__(self) -> str:
        return self.number


explain(
    {
        "allocation_allocationlist_study_id_key": (
            Conflict,
            "This study's list is sealed already.",
        ),
        "allocation_listentry_participant_id_key": (
            Conflict,
            "This volunteer has a number already.",
        ),
        "list_issue_complete": (Refused, "A number is issued to a person at a time."),
    }
)
