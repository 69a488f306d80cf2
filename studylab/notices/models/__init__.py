"""What stands for a role, who has seen and read it, to whom it went on, and what each person wants by e-mail."""

from django.db import models
from django.db.models import F, Q

from studylab.access import Role
from studylab.audit.history import append_only, history, kept
from studylab.db import explain
from studylab.errors import Refused
from studylab.people.models import User
from studylab.studies.models import Study

_ROLES = [role.value for role in Role]


class Standing(models.Model):
    """One thing that stands for one role, as the last tick saw it; no words about anybody's health.

    `key` names the thing, `state` is a digest of how it stands, `since` when it came to stand so without anybody
    having read it, `gone_at` when it went.
    """

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="+")
    role = models.CharField(max_length=20)
    key = models.CharField(max_length=32)
    state = models.CharField(max_length=32)
    title = models.CharField(max_length=120)
    label = models.CharField(max_length=120)
    url = models.CharField(max_length=400)
    shape = models.CharField(max_length=5)
    since = models.DateTimeField()
    changed_at = models.DateTimeField()
    gone_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["study", "role", "key"], condition=Q(gone_at=None), name="notice_stands_once"),
            models.CheckConstraint(condition=Q(role__in=_ROLES), name="notice_role_known"),
            models.CheckConstraint(condition=Q(changed_at__gte=F("since")), name="notice_changed_after"),
        ]  # fmt: skip
        triggers = kept()

    def __str__(self) -> str:
        return f"{self.role}: {self.title}"


class Seen(models.Model):
    """One thing in one state, for one person: when it was first shown on their list, and when they read it."""

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="+")
    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    key = models.CharField(max_length=32)
    state = models.CharField(max_length=32)
    shown_at = models.DateTimeField()
    read_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["user", "study", "key", "state"], name="notice_seen_once"),
            models.CheckConstraint(
                condition=Q(read_at=None) | Q(read_at__gte=F("shown_at")), name="notice_read_after_shown"
            ),
        ]  # fmt: skip
        triggers = history()

    def __str__(self) -> str:
        return f"seen {self.pk}"


class Escalation(models.Model):
    """Something urgent that nobody had read went on to another role. Each step happens once."""

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="+")
    key = models.CharField(max_length=32)
    since = models.DateTimeField()
    step = models.PositiveSmallIntegerField()
    role = models.CharField(max_length=20)
    at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["study", "key", "since", "step"], name="notice_step_once"),
            models.CheckConstraint(
                condition=Q(role__in=[r for r in _ROLES if r != Role.PHARMACIST]), name="notice_escalates_to"
            ),
        ]  # fmt: skip
        triggers = append_only()

    def __str__(self) -> str:
        return f"{self.key} to {self.role}"


class Wish(models.Model):
    """What one person wants by e-mail in one study: a digest of the day, and at which local hour."""

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="+")
    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    digest = models.BooleanField(default=True)
    hour = models.PositiveSmallIntegerField(default=7)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["user", "study"], name="notice_wish_once"),
            models.CheckConstraint(condition=Q(hour__lte=23), name="notice_wish_hour"),
        ]
        triggers = history()

    def __str__(self) -> str:
        return f"wish {self.pk}"


explain({"notice_wish_hour": (Refused, "Choose an hour from 0 to 23.")})
