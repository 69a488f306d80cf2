"""The lab's tablets, who is signed in where, and which records were opened on a tablet."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Lower

from studylab.audit.history import append_only, guard, kept
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.people.models.people import User
from studylab.people.rules.devices import LOCK_MINUTES_MAX, LOCK_MINUTES_MIN

_REVOKED = ("revoked_at", "revoked_by_id", "lost_at", "revoke_reason")


class Device(models.Model):
    """A tablet of the lab, known by a secret in one browser's cookie of which only a keyed digest is kept.

    `clock_offset_ms` is how far the tablet's clock is ahead of the server's. Revoked once is revoked for good;
    a tablet that is found again gets a new name and a new secret.
    """

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.ForeignKey("studies.Study", on_delete=models.PROTECT, related_name="devices")
    name = models.CharField(max_length=60)
    token_digest = models.CharField(max_length=64, unique=True)
    lock_minutes = models.PositiveSmallIntegerField()
    enrolled_at = models.DateTimeField()
    enrolled_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    last_seen_at = models.DateTimeField()
    clock_offset_ms = models.BigIntegerField(null=True)
    clock_measured_at = models.DateTimeField(null=True)
    revoked_at = models.DateTimeField(null=True)
    revoked_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    lost_at = models.DateTimeField(null=True)
    revoke_reason = models.CharField(max_length=300, blank=True)
    emptied_at = models.DateTimeField(null=True)  # first told to empty itself after it was revoked

    class Meta:
        constraints = [
            models.UniqueConstraint(
                Lower("name"), condition=Q(revoked_at=None), name="device_name_once"
            ),
            models.CheckConstraint(
                condition=Q(lock_minutes__gte=LOCK_MINUTES_MIN, lock_minutes__lte=LOCK_MINUTES_MAX),
                name="device_lock_minutes",
            ),
            models.CheckConstraint(
                condition=Q(revoked_at=None, revoke_reason="", lost_at=None, emptied_at=None)
                | (Q(revoked_at__isnull=False) & ~Q(revoke_reason="")),
                name="device_revoked_with_reason",
            ),
            models.CheckConstraint(
                condition=Q(lost_at=None) | Q(lost_at__lte=F("revoked_at")),
                name="device_lost_before_revoked",
            ),
            models.CheckConstraint(
                condition=Q(clock_offset_ms=None, clock_measured_at=None)
                | Q(clock_offset_ms__isnull=False, clock_measured_at__isnull=False),
                name="device_clock_whole",
            ),
        ]
        # Seen times change every minute, so there is no row history; who enrolled and revoked is on the trail.
        triggers = [
            *kept(),
            guard(
                "device_revoked_for_good",
                operation=pgtrigger.Update,
                check="OLD.revoked_at IS NULL OR "
                + " AND ".join(f"NEW.{one} IS NOT DISTINCT FROM OLD.{one}" for one in _REVOKED),
                sentence="A revoked device stays revoked.",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class DeviceClock(models.Model):
    """How far a tablet's clock was ahead of the server's at one comparison (milliseconds, network delay included).

    One row a day, and one more whenever the clock has moved (`clock_moved`): so it can be said later how wrong it was.
    """

    device = models.ForeignKey(Device, on_delete=models.PROTECT, related_name="clocks")
    at = models.DateTimeField()
    offset_ms = models.BigIntegerField()

    class Meta:
        indexes = [models.Index(fields=["device", "-at"], name="device_clock_newest")]
        triggers = append_only()

    def __str__(self) -> str:
        return f"{self.offset_ms} ms at {self.at}"


class SignIn(models.Model):
    """One person signed in once, on a device or elsewhere. `active_at` is the last act of a person, not of a page.

    Housekeeping of sessions: the trail has signing in and out.
    """

    class Ended(models.TextChoices):
        SIGNED_OUT = "signed_out", "signed out"
        CHANGED = "changed", "somebody else signed in"
        REVOKED = "revoked", "the device was revoked"
        ELSEWHERE = "elsewhere", "ended from another place"
        BROKEN = "broken", "the browser no longer showed the device"
        IDLE = "idle", "nobody did anything for too long"
        LIMIT = "limit", "it had lasted as long as a sign-in may"
        PASSWORD = "password", "the password was changed"
        STEP = "step", "a second step was added or removed"
        CLOSED = "closed", "the account was closed"

    class How(models.TextChoices):
        PASSWORD = "password", "password"
        CODE = "code", "password and one-time code"
        RECOVERY = "recovery", "password and recovery code"
        KEY = "key", "password and passkey"
        PASSKEY = "passkey", "passkey"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="sign_ins")
    device = models.ForeignKey(Device, on_delete=models.PROTECT, null=True, related_name="sign_ins")
    began_at = models.DateTimeField()
    how = models.CharField(max_length=10, choices=How.choices, default=How.PASSWORD)
    browser = models.CharField(max_length=60, blank=True)  # in words, such as "Firefox on Windows"
    seen_at = models.DateTimeField()
    active_at = models.DateTimeField()
    locked_at = models.DateTimeField(null=True)
    locked_page = models.CharField(max_length=400, blank=True)  # where unlocking leads back to
    ended_at = models.DateTimeField(null=True)
    ended_how = models.CharField(max_length=20, blank=True, choices=Ended.choices)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(ended_at=None, ended_how="")
                | (Q(ended_at__isnull=False) & ~Q(ended_how="")),
                name="sign_in_ended_somehow",
            ),
            models.CheckConstraint(
                condition=Q(how__in=["password", "code", "recovery", "key", "passkey"]),
                name="sign_in_how_known",
            ),
        ]
        indexes = [
            models.Index(fields=["user"], condition=Q(ended_at=None), name="sign_in_live"),
        ]
        triggers = [
            *kept(),
            guard(
                "sign_in_ended_for_good",
                operation=pgtrigger.Update,
                check="OLD.ended_at IS NULL OR NEW.ended_at IS NOT DISTINCT FROM OLD.ended_at",
                sentence="A sign-in that ended stays ended.",
            ),
        ]

    def __str__(self) -> str:
        return f"sign-in {self.uid}"

    @property
    def has_second_step(self) -> bool:
        """Whether more than a password was shown; a passkey alone is two things at once."""
        return self.how != self.How.PASSWORD


class DevicePage(models.Model):
    """A page with records that was opened on a device: `subject` is a code, a uid, or "" for a list.

    One row for each page, volunteer and sign-in; so what was on a lost tablet can be said.
    """

    class Kind(models.TextChoices):
        VOLUNTEER = "volunteer"
        VISIT = "visit"
        RECORD = "record"
        LIST = "list"

    sign_in = models.ForeignKey(SignIn, on_delete=models.PROTECT, related_name="pages")
    study = models.ForeignKey("studies.Study", on_delete=models.PROTECT, related_name="+")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    subject = models.CharField(max_length=60, blank=True)
    page = models.CharField(max_length=60)
    first_at = models.DateTimeField()
    last_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["sign_in", "study", "kind", "subject", "page"], name="device_page_once"
            ),
            models.CheckConstraint(
                condition=Q(kind__in=["volunteer", "visit", "record", "list"]),
                name="device_page_kind",
            ),
        ]
        triggers = kept()

    def __str__(self) -> str:
        return f"{self.page} {self.subject}"


explain(
    {
        "device_name_once": (Conflict, "Another device has this name. Choose another one."),
        "device_lock_minutes": (
            Refused,
            f"Choose a lock time from {LOCK_MINUTES_MIN} to {LOCK_MINUTES_MAX} minutes.",
        ),
        "device_revoked_with_reason": (Refused, "Say why the device is revoked."),
        "device_lost_before_revoked": (
            Refused,
            "The loss lies in the future. Enter when the device was last known to be safe.",
        ),
    }
)
