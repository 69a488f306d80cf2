"""Kits and the ledger of their movements."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import F, Q

from studylab.allocation.models.numbers import ListEntry
from studylab.audit.history import append_only, guard
from studylab.db import explain
from studylab.errors import Conflict, Refused
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

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="kits")
    batch = models.ForeignKey(KitBatch, on_delete=models.PROTECT, related_name="kits")
    number = models.CharField(max_length=12)
    state = models.CharField(max_length=12, choices=State.choices, default=State.IN_STOCK)
    entry = models.OneToOneField(ListEntry, on_delete=models.PROTECT, null=True, related_name="kit")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["study", "number"], name="kit_number_once"),
            models.CheckConstraint(
                condition=Q(state__in=["in_stock", "quarantined", "destroyed"]) | Q(entry__isnull=False),
                name="kit_out_has_number",
            ),
        ]
        triggers = [pgtrigger.Protect(name="never_deleted", operation=pgtrigger.Delete), append_only()[1]]


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

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="movements")
    what = models.CharField(max_length=12, choices=What.choices)
    at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    second = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    participant_code = models.CharField(max_length=12, blank=True)
    visit_uid = models.UUIDField(null=True)
    reason = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(second=None) | ~Q(second=F("by")), name="movement_two_people"
            ),
            models.CheckConstraint(
                condition=~Q(what__in=["dispense", "give"]) | Q(second__isnull=False),
                name="movement_checked_by_second",
            ),
            models.UniqueConstraint(
                fields=["kit"], condition=Q(what="give"), name="kit_given_once"
            ),
        ]
        triggers = [
            *append_only(),
            guard(
                "kit_usable",
                operation=pgtrigger.Insert,
                check="""NEW.what NOT IN ('prepare', 'dispense') OR EXISTS (
                    SELECT 1 FROM allocation_kit k JOIN allocation_kitbatch b ON b.id = k.batch_id
                    WHERE k.id = NEW.kit_id AND b.usable_until >= (NEW.at AT TIME ZONE 'UTC')::date
                      AND k.state NOT IN ('quarantined', 'destroyed')
                )""",
                sentence="This kit is past its date, in quarantine or destroyed. Take another one.",
            ),
        ]


explain(
    {
        "batch_label_once": (Conflict, "A batch with this number was received already."),
        "allocation_kit_entry_id_key": (Conflict, "A kit was prepared for this number already."),
        "kit_given_once": (Conflict, "This kit was given already."),
        "movement_two_people": (Refused, "The second person must be somebody else."),
        "movement_checked_by_second": (Refused, "A second person checks every kit that is handed out."),
    }
)
