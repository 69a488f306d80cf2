"""Studies and the versions of their protocol documents."""

import uuid
from zoneinfo import ZoneInfo

import pgtrigger
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q

from studylab.audit.history import kept, never_deleted
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.people.models import Signature, User


class Study(models.Model):
    """One study. What it says is in its protocol versions; this row is its name and state."""

    class State(models.TextChoices):
        SETUP = "setup", "being set up"
        OPEN = "open", "open"
        PAUSED = "paused", "dosing paused"
        CLOSED = "closed", "closed"

    slug = models.SlugField(unique=True, max_length=40)
    title = models.CharField(max_length=200)
    short_title = models.CharField(max_length=60)
    timezone = models.CharField(max_length=60)
    code_prefix = models.CharField(max_length=3)
    state = models.CharField(max_length=10, choices=State.choices, default=State.SETUP)
    created_at = models.DateTimeField()
    languages = ArrayField(models.CharField(max_length=10), default=list)
    # Roles that sign in with a second step by this study's choice, besides those that always do.
    second_step_roles = ArrayField(models.CharField(max_length=20), default=list)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=["setup", "open", "paused", "closed"]),
                name="study_state_known",
            )
        ]
        triggers = never_deleted()

    def __str__(self) -> str:
        return self.short_title

    @property
    def zone(self) -> ZoneInfo:
        """The time zone in which the study's days and clock times are meant."""
        return ZoneInfo(self.timezone)


class ProtocolVersion(models.Model):
    """One protocol document, stored whole. Its text never changes; confirmation adds a signature."""

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="protocol_versions")
    number = models.PositiveIntegerField()
    document = models.TextField()
    sha256 = models.CharField(max_length=64)
    note = models.CharField(max_length=300, blank=True)
    approval_reference = models.CharField(max_length=100, blank=True)
    approval_on = models.DateField(null=True)
    added_at = models.DateTimeField()
    added_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    confirmed_at = models.DateTimeField(null=True)
    confirmation = models.ForeignKey(
        Signature, on_delete=models.PROTECT, null=True, related_name="+"
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["study", "number"], name="protocol_number_once"),
            models.CheckConstraint(
                condition=Q(confirmed_at=None, confirmation=None)
                | Q(confirmed_at__isnull=False, confirmation__isnull=False),
                name="protocol_confirmed_by_signature",
            ),
        ]
        triggers = [
            *never_deleted(),
            pgtrigger.Protect(
                name="confirmed_stays",
                operation=pgtrigger.Update,
                condition=pgtrigger.Condition("OLD.confirmed_at IS NOT NULL"),
            ),
            pgtrigger.Protect(
                name="text_stays",
                operation=pgtrigger.Update,
                condition=pgtrigger.Condition(
                    "OLD.document IS DISTINCT FROM NEW.document OR OLD.sha256 IS DISTINCT FROM NEW.sha256"
                    " OR OLD.number IS DISTINCT FROM NEW.number"
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"version {self.number}"


class ProtocolDraft(models.Model):
    """A document that somebody is writing: for a new version of `study`, or for a study that does not exist yet.

    Not part of the record: it changes with every pause in typing and leaves no history. `revision` counts what was
    kept, `page` is the open page that kept it last: another page that began earlier may not write over it.
    """

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.ForeignKey(Study, on_delete=models.PROTECT, null=True, related_name="drafts")
    owner = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    base = models.ForeignKey(ProtocolVersion, on_delete=models.PROTECT, null=True, related_name="+")
    slug = models.SlugField(max_length=40, blank=True)
    code_prefix = models.CharField(max_length=3, blank=True)
    languages = ArrayField(models.CharField(max_length=10), default=list)
    document = models.TextField(blank=True)
    revision = models.PositiveIntegerField(default=1)
    page = models.CharField(max_length=40, blank=True)
    begun_at = models.DateTimeField()
    saved_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True)
    version = models.ForeignKey(
        ProtocolVersion, on_delete=models.PROTECT, null=True, related_name="+"
    )

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(version=None) | Q(ended_at__isnull=False), name="draft_ends_as_version"
            ),
            models.CheckConstraint(
                condition=Q(study__isnull=False, slug="")
                | (Q(study=None, base=None) & ~Q(slug="")),
                name="draft_of_a_study_or_a_name",
            ),
        ]
        triggers = [
            *kept(),
            pgtrigger.Protect(
                name="ended_stays",
                operation=pgtrigger.Update,
                condition=pgtrigger.Condition("OLD.ended_at IS NOT NULL"),
            ),
        ]

    def __str__(self) -> str:
        return f"draft {self.uid}"


explain(
    {
        "protocol_number_once": (
            Conflict,
            "Somebody else added a version at the same time. Try again.",
        ),
        "protocol_confirmed_by_signature": (Refused, "A version is confirmed by a signature only."),
    }
)
