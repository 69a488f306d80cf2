"""Planned unblinding: the data declared locked, two signatures, the list open."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import F, Q

from studylab.allocation.models.numbers import AllocationList
from studylab.audit.history import append_only, guard
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.people.models import Signature, User
from studylab.studies.models import Study


class DataLock(models.Model):
    """The declaration that the data of a study are complete and change no more before unblinding."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.OneToOneField(Study, on_delete=models.PROTECT, related_name="data_lock")
    statement = models.TextField()
    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    signature = models.ForeignKey(Signature, on_delete=models.PROTECT, related_name="+")

    class Meta:
        triggers = append_only()

    def __str__(self) -> str:
        return f"data lock {self.uid}"


class ListOpening(models.Model):
    """The opening of the whole list: asked for by one person, agreed to by another. It holds no arm."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    list = models.OneToOneField(AllocationList, on_delete=models.PROTECT, related_name="opening")
    reason = models.TextField()
    asked_at = models.DateTimeField()
    asked_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    asking = models.ForeignKey(Signature, on_delete=models.PROTECT, related_name="+")
    agreed_at = models.DateTimeField(null=True)
    agreed_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    agreeing = models.ForeignKey(Signature, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(agreed_by=None) | ~Q(agreed_by=F("asked_by")), name="opening_two_people"
            ),
            models.CheckConstraint(
                condition=Q(agreed_at=None, agreed_by=None, agreeing=None)
                | Q(agreed_at__isnull=False, agreed_by__isnull=False, agreeing__isnull=False),
                name="opening_agreed_whole",
            ),
        ]
        triggers = [
            pgtrigger.Protect(name="never_deleted", operation=pgtrigger.Delete),
            append_only()[1],
            pgtrigger.Protect(
                name="agreed_stays",
                operation=pgtrigger.Update,
                condition=pgtrigger.Condition(
                    "OLD.agreed_at IS NOT NULL OR OLD.asked_by_id <> NEW.asked_by_id"
                    " OR OLD.asking_id <> NEW.asking_id OR OLD.list_id <> NEW.list_id"
                    " OR OLD.reason <> NEW.reason OR OLD.asked_at <> NEW.asked_at"
                ),
            ),
            guard(
                "opening_after_lock",
                operation=pgtrigger.Insert | pgtrigger.Update,
                check="""EXISTS (
                    SELECT 1 FROM allocation_datalock d JOIN allocation_allocationlist l
                        ON l.study_id = d.study_id
                    WHERE l.id = NEW.list_id AND d.at <= NEW.asked_at)
                    AND (NEW.agreed_at IS NULL OR NEW.agreed_at >= NEW.asked_at)""",
                sentence="The list is opened only after the data were declared locked.",
            ),
            guard(
                "opening_asked_first",
                operation=pgtrigger.Insert,
                check="NEW.agreed_at IS NULL",
                sentence="The opening is asked for first, then agreed to by somebody else.",
            ),
        ]

    def __str__(self) -> str:
        return f"list opening {self.uid}"


explain(
    {
        "opening_two_people": (Refused, "The second signature must be somebody else's."),
        "allocation_datalock_study_id_key": (Conflict, "The data are declared locked already."),
        "allocation_listopening_list_id_key": (Conflict, "The opening was asked for already."),
    }
)
