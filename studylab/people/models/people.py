"""People who sign in, their roles in studies, and their signatures."""

import uuid

import pgtrigger
from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import RangeOperators
from django.contrib.postgres.functions import RandomUUID
from django.db import models
from django.db.models import Case, F, Q, Value, When
from django.db.models.functions import Lower

from studylab.access import ROLE_NAMES, UNBLINDED_ROLES, Role
from studylab.audit.history import append_only, guard, kept, never_deleted
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.people.rules.passwords import ALONE, as_hashed


class UserManager(BaseUserManager["User"]):
    """Finds people by e-mail address, whatever its case."""

    def get_by_natural_key(self, username: str | None) -> "User":
        """Return the user with this e-mail address."""
        return self.get(email__iexact=(username or "").strip())


class User(AbstractBaseUser):
    """One person with one account. Accounts are never shared and never deleted."""

    email = models.EmailField("e-mail address", max_length=254, unique=True)
    name = models.CharField("full name", max_length=150)
    is_active = models.BooleanField(default=True)
    is_account_admin = models.BooleanField(default=False)
    # Somebody else knows the starting password, so nothing may be done under it but choosing another.
    must_change_password = models.BooleanField(default=False)
    # Shorter than what may stand alone: good only together with a second step, whatever the roles.
    short_password = models.BooleanField(default=False)
    added_at = models.DateTimeField()

    USERNAME_FIELD = "email"
    REQUIRED_FIELDS = ["name"]
    objects = UserManager()

    class Meta:
        constraints = [models.UniqueConstraint(Lower("email"), name="user_email_once")]
        triggers = [
            *kept(),  # no row history: it would keep old password hashes
            guard(
                "account_admin_no_role",
                operation=pgtrigger.Insert | pgtrigger.Update,
                check="""NOT NEW.is_account_admin OR NOT EXISTS (
                    SELECT 1 FROM people_membership m WHERE m.user_id = NEW.id AND m.stopped_at IS NULL
                    AND (m.ends_on IS NULL OR m.ends_on >= current_date))""",
                sentence="Whoever holds a role in a study does not administer accounts. End the roles first.",
            ),
            guard(
                "account_admin_stays",
                operation=pgtrigger.Update,
                check="""NOT (OLD.is_account_admin AND OLD.is_active) OR (NEW.is_account_admin AND NEW.is_active)
                    OR EXISTS (SELECT 1 FROM people_user u WHERE u.id <> NEW.id AND u.is_account_admin AND u.is_active)""",
                sentence="This is the last administrator of accounts who can sign in. Make another one first.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return self.name

    def set_password(self, raw_password: str | None) -> None:
        """Keep the hash of a password, composed alike whatever keyboard it comes from."""
        text = None if raw_password is None else as_hashed(raw_password)
        super().set_password(text)
        self.short_password = text is not None and len(text) < ALONE

    def check_password(self, raw_password: str | None) -> bool:
        """Whether this is the password."""
        return super().check_password(None if raw_password is None else as_hashed(raw_password))


class Membership(models.Model):
    """A role in a study between two days, the last one included; no end while it lasts.

    `stopped_at` is set when the role was ended at once, in the middle of its last day.
    """

    uid = models.UUIDField(default=uuid.uuid4, db_default=RandomUUID(), unique=True, editable=False)
    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="memberships")
    study = models.ForeignKey("studies.Study", on_delete=models.PROTECT, related_name="memberships")
    role = models.CharField(max_length=20, choices=[(r.value, ROLE_NAMES[r]) for r in Role])
    starts_on = models.DateField()
    ends_on = models.DateField(null=True, blank=True)
    stopped_at = models.DateTimeField(null=True, blank=True)
    granted_at = models.DateTimeField()
    granted_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(role__in=[role.value for role in Role]), name="membership_role_known"
            ),
            models.CheckConstraint(
                condition=Q(ends_on=None) | Q(ends_on__gte=F("starts_on")),
                name="membership_ends_after_start",
            ),
            models.CheckConstraint(
                condition=Q(stopped_at=None) | Q(ends_on__isnull=False),
                name="membership_stopped_ends",
            ),
            models.UniqueConstraint(
                fields=["user", "study", "role"],
                condition=Q(ends_on=None),
                name="membership_role_once",
            ),
            # What is known cannot be unknown: whoever could read arms once holds no blinded role in
            # that study later, and the other way round, whatever the dates.
            ExclusionConstraint(
                name="membership_blind_kept",
                expressions=[
                    ("user", RangeOperators.EQUAL),
                    ("study", RangeOperators.EQUAL),
                    (
                        Case(
                            When(role__in=sorted(UNBLINDED_ROLES), then=Value(1)),
                            default=Value(0),
                            output_field=models.IntegerField(),
                        ),
                        RangeOperators.NOT_EQUAL,
                    ),
                ],
            ),
        ]
        triggers = [
            *never_deleted(),
            guard(
                "membership_no_account_admin",
                operation=pgtrigger.Insert,
                check="NOT EXISTS (SELECT 1 FROM people_user u WHERE u.id = NEW.user_id AND u.is_account_admin)",
                sentence="An administrator of accounts holds no role in a study. Choose somebody else.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"{self.role} {self.uid}"


class Signature(models.Model):
    """A signature: who, when, with what meaning, under exactly which content.

    `content_hash` is the SHA-256 of the canonical JSON of `content`; the signature is void for any other
    content (21 CFR 11.50, 11.70).
    """

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="signatures")
    printed_name = models.CharField(max_length=150)
    role = models.CharField(max_length=200)
    study = models.ForeignKey(
        "studies.Study", on_delete=models.PROTECT, null=True, related_name="+"
    )
    meaning = models.CharField(max_length=200)
    subject_type = models.CharField(max_length=60)
    subject_code = models.CharField(max_length=80)
    content = models.JSONField()
    content_hash = models.CharField(max_length=64)
    signed_at = models.DateTimeField()

    class Meta:
        triggers = append_only()

    def __str__(self) -> str:
        return f"{self.printed_name}: {self.meaning}"

    def covers(self, content_hash: str) -> bool:
        """Whether this signature still stands for content with this hash."""
        return self.content_hash == content_hash


explain(
    {
        "user_email_once": (Conflict, "Somebody with this e-mail address already has an account."),
        "membership_role_once": (Conflict, "This person already has this role in the study."),
        "membership_blind_kept": (
            Refused,
            "A pharmacist of a study can read arms, so the same person cannot hold a blinded role in it, "
            "now or later. Choose somebody else.",
        ),
        "membership_ends_after_start": (
            Refused,
            "The role ends before it starts. Check the two dates.",
        ),
    }
)
