"""Batches of kits, and kits."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import Q

from studylab.allocation.models.numbers import ListEntry
from studylab.allocation.models.sql import STATE_OF_LAST_LINE, WHAT_OF_LAST_LINE
from studylab.audit.history import append_only, guard
from studylab.db import explain
from studylab.errors import Conflict
from studylab.people.models import User
from studylab.studies.models import Study


class KitBatch(models.Model):
    """Kits of one kind received together. Which kind is in `box`, encrypted. Shown to pharmacists only."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="kit_batches")
    label = models.CharField("batch number", max_length=40)
    box = models.BinaryField()
    usable_until = models.DateField()
    storage = models.CharField(max_length=120)
    form = models.CharField(max_length=200, blank=True)  # as the protocol names it
    strength_mg = models.DecimalField(max_digits=6, decimal_places=2)
    units_per_kit = models.PositiveSmallIntegerField()
    received_at = models.DateTimeField()
    received_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["study", "label"], name="batch_label_once"),
            models.CheckConstraint(
                condition=Q(strength_mg__gt=0, units_per_kit__gt=0), name="batch_amounts_positive"
            ),
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return self.label

    @property
    def identified(self) -> bool:
        """Whether the last identity check of two people agreed with the papers."""
        checks = sorted(self.checks.all(), key=lambda check: check.pk)
        return bool(checks) and checks[-1].agrees


class Kit(models.Model):
    """One container for one dose. The number is random and carries no order; `state` follows the ledger."""

    class State(models.TextChoices):
        IN_STOCK = "in_stock", "in stock"
        PREPARED = "prepared", "prepared for a number"
        DISPENSED = "dispensed", "handed out"
        GIVEN = "given", "given"
        RETURNED = "returned", "returned"
        QUARANTINED = "quarantined", "in quarantine"
        DESTROYED = "destroyed", "destroyed"
        TRANSFERRED = "transferred", "transferred"
        MISSING = "missing", "not found"

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="kits")
    batch = models.ForeignKey(KitBatch, on_delete=models.PROTECT, related_name="kits")
    number = models.CharField(max_length=12)
    state = models.CharField(max_length=12, choices=State.choices, default=State.IN_STOCK)
    entry = models.ForeignKey(ListEntry, on_delete=models.PROTECT, null=True, related_name="kits")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["study", "number"], name="kit_number_once"),
            models.CheckConstraint(
                condition=~Q(state__in=["prepared", "dispensed", "given"]) | Q(entry__isnull=False),
                name="kit_out_has_number",
            ),
            # A kit that was taken back or put aside makes room for another one for the same number.
            models.UniqueConstraint(
                fields=["entry"],
                condition=Q(state__in=["prepared", "dispensed", "given"]),
                name="kit_one_for_number",
            ),
        ]
        triggers = [
            pgtrigger.Protect(name="never_deleted", operation=pgtrigger.Delete),
            append_only()[1],
            guard(
                "kit_starts_in_stock",
                operation=pgtrigger.Insert,
                check="NEW.state = 'in_stock' AND NEW.entry_id IS NULL",
                sentence="A kit begins in stock.",
            ),
            guard(
                "kit_follows_ledger",
                operation=pgtrigger.Update,
                check=f"""NEW.number = OLD.number AND NEW.batch_id = OLD.batch_id
                    AND NEW.study_id = OLD.study_id
                    AND NEW.state = {STATE_OF_LAST_LINE.format(kit="NEW.id")}
                    AND (NEW.entry_id IS NOT DISTINCT FROM OLD.entry_id
                         OR {WHAT_OF_LAST_LINE.format(kit="NEW.id")} IN ('prepare', 'release'))""",
                sentence="A kit changes by a line of the ledger only.",
            ),
        ]

    def __str__(self) -> str:
        return self.number


explain(
    {
        "batch_label_once": (Conflict, "A batch with this number was received already."),
        "kit_number_once": (Conflict, "A kit number came up twice. Receive the batch again."),
        "kit_one_for_number": (Conflict, "A kit was prepared for this number already."),
    }
)
