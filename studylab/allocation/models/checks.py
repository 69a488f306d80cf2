"""Checks of the dispensary: what a batch holds, warm or cold days, counts, and the list against practice."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import F, Q

from studylab.allocation.models.kits import KitBatch
from studylab.allocation.models.numbers import AllocationList
from studylab.audit.history import append_only, guard
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.people.models import Signature, User
from studylab.studies.models import Study


class BatchCheck(models.Model):
    """The identity of a batch, looked at in retained units by two people who may know."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    batch = models.ForeignKey(KitBatch, on_delete=models.PROTECT, related_name="checks")
    agrees = models.BooleanField()
    units = models.PositiveSmallIntegerField()
    how = models.CharField(max_length=200)
    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    second = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    signature = models.ForeignKey(Signature, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(by=F("second")), name="batch_check_two_people"),
            models.CheckConstraint(condition=Q(units__gte=1), name="batch_check_units"),
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return f"batch check {self.uid}"


class Excursion(models.Model):
    """Kits were too warm or too cold: they wait in quarantine until the pharmacist decides."""

    class Decision(models.TextChoices):
        USABLE = "usable", "usable"
        DESTROY = "destroy", "not usable"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="excursions")
    began_at = models.DateTimeField()
    ended_at = models.DateTimeField()
    lowest = models.DecimalField(max_digits=4, decimal_places=1)
    highest = models.DecimalField(max_digits=4, decimal_places=1)
    note = models.CharField(max_length=300)
    recorded_at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    decision = models.CharField(max_length=10, choices=Decision.choices, blank=True)
    reason = models.CharField(max_length=300, blank=True)
    decided_at = models.DateTimeField(null=True)
    deciding = models.ForeignKey(Signature, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(began_at__lte=F("ended_at")) & Q(lowest__lte=F("highest")),
                name="excursion_in_order",
            ),
            models.CheckConstraint(
                condition=Q(decision="", decided_at=None, deciding=None)
                | (
                    ~Q(decision="")
                    & ~Q(reason="")
                    & Q(decided_at__isnull=False, deciding__isnull=False)
                ),
                name="excursion_decided_whole",
            ),
        ]
        triggers = [
            pgtrigger.Protect(name="never_deleted", operation=pgtrigger.Delete),
            append_only()[1],
            guard(
                "decided_stays",
                operation=pgtrigger.Update,
                check="""OLD.decision = '' AND NEW.began_at = OLD.began_at AND NEW.ended_at = OLD.ended_at
                    AND NEW.lowest = OLD.lowest AND NEW.highest = OLD.highest AND NEW.note = OLD.note
                    AND NEW.study_id = OLD.study_id""",
                sentence="A decision about warm or cold kits stays as it was taken.",
            ),
        ]

    def __str__(self) -> str:
        return f"excursion {self.uid}"


class StockCount(models.Model):
    """Kits of a batch in stock, counted by two people who were not shown the ledger's figure.

    Rows from before two people counted have no `second`; the database asks new ones for it.
    """

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    batch = models.ForeignKey(KitBatch, on_delete=models.PROTECT, related_name="counts")
    counted = models.PositiveIntegerField()
    expected = models.PositiveIntegerField()
    note = models.CharField(max_length=300, blank=True)
    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    second = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(second=None) | ~Q(second=F("by")), name="count_two_people"
            ),
        ]
        triggers = [
            *append_only(),
            guard(
                "count_has_second",
                operation=pgtrigger.Insert,
                check="NEW.second_id IS NOT NULL",
                sentence="Two people count.",
            ),
        ]

    def __str__(self) -> str:
        return f"count {self.uid}"

    @property
    def agrees(self) -> bool:
        """Whether as many were found as the ledger says."""
        return self.counted == self.expected


class CountExplained(models.Model):
    """Why a count differed from the ledger. The ledger itself is changed by kits' own lines only."""

    count = models.OneToOneField(StockCount, on_delete=models.PROTECT, related_name="explained")
    explanation = models.CharField(max_length=300)
    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        triggers = [
            *append_only(),
            guard(
                "explains_a_difference",
                operation=pgtrigger.Insert,
                check="""EXISTS (SELECT 1 FROM allocation_stockcount c
                    WHERE c.id = NEW.count_id AND c.counted <> c.expected)""",
                sentence="This count agrees with the ledger: there is nothing to explain.",
            ),
        ]

    def __str__(self) -> str:
        return f"explanation of count {self.count_id}"


class ListCheck(models.Model):
    """The sealed list compared with what was issued and handed out so far. Findings are named to pharmacists."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    list = models.ForeignKey(AllocationList, on_delete=models.PROTECT, related_name="checks")
    issued = models.PositiveIntegerField()
    agrees = models.BooleanField()
    at = models.DateTimeField()

    class Meta:
        triggers = append_only()

    def __str__(self) -> str:
        return f"list check {self.uid}"


explain(
    {
        "batch_check_two_people": (Refused, "The second person must be somebody else."),
        "count_two_people": (Refused, "The second person must be somebody else."),
        "allocation_countexplained_count_id_key": (Conflict, "This count was explained already."),
        "batch_check_units": (Refused, "At least one unit is looked at."),
        "excursion_in_order": (Refused, "Beginning and end, lowest and highest, are not in order."),
        "excursion_decided_whole": (Conflict, "The decision was taken already."),
    }
)
