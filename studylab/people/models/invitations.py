"""Invitations to work in a study. An account exists only once somebody has accepted one."""

import uuid

import pgtrigger
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Lower

from studylab.access import Role
from studylab.audit.history import guard, never_deleted
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.people.models.people import User
from studylab.people.rules.account_rules import IDENTITY, NOT_ASKED

_SAME = ("study_id", "name", "email", "identity", "roles", "starts_on", "ends_on", "uid", "invited_at")  # fmt: skip


class Invitation(models.Model):
    """Somebody is asked to take roles in a study from one day to another.

    `turn` counts the links made for it; only the newest one opens, of which `token_digest` is a keyed digest. Without
    mail the link is shown once to whoever invites (`handed_over`), who then could use it: the access review says so.
    """

    class Ended(models.TextChoices):
        ACCEPTED = "accepted", "accepted"
        DECLINED = "declined", "declined"
        WITHDRAWN = "withdrawn", "withdrawn"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.ForeignKey("studies.Study", on_delete=models.PROTECT, related_name="invitations")
    name = models.CharField("full name", max_length=150)
    email = models.EmailField("e-mail address", max_length=254)
    # How whoever invites knows who this is: nobody signs anything whose identity was not looked at.
    identity = models.CharField(max_length=10, choices=list(IDENTITY.items()), default=NOT_ASKED, db_default=NOT_ASKED)  # fmt: skip
    roles = ArrayField(models.CharField(max_length=20))
    starts_on = models.DateField()
    ends_on = models.DateField(null=True)
    invited_at = models.DateTimeField()
    turn = models.PositiveSmallIntegerField(default=1)
    token_digest = models.CharField(max_length=64, unique=True)
    sent_at = models.DateTimeField()
    sent_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    handed_over = models.BooleanField(default=False)
    expires_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True)
    ended_how = models.CharField(max_length=10, choices=Ended.choices, blank=True)
    ended_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    end_reason = models.CharField(max_length=300, blank=True)
    rules = models.CharField(
        max_length=64, blank=True, default="", db_default=""
    )  # digest of the rules accepted

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(roles__len__gte=1)
                & Q(roles__contained_by=[role.value for role in Role]),
                name="invitation_roles_known",
            ),
            models.CheckConstraint(
                condition=Q(roles=[Role.PHARMACIST.value])
                | ~Q(roles__contains=[Role.PHARMACIST.value]),
                name="invitation_blind_kept",
            ),
            models.CheckConstraint(
                condition=Q(identity__in=[*IDENTITY, NOT_ASKED]), name="invitation_identity_known"
            ),
            models.CheckConstraint(
                condition=Q(ends_on=None) | Q(ends_on__gte=F("starts_on")),
                name="invitation_ends_after_start",
            ),
            models.CheckConstraint(
                condition=Q(expires_at__gt=F("sent_at")), name="invitation_open_for_a_while"
            ),
            models.CheckConstraint(
                condition=Q(ended_at=None, ended_how="", ended_by=None, end_reason="")
                | Q(ended_at__isnull=False, ended_how__in=["accepted", "declined"])
                | (Q(ended_at__isnull=False, ended_how="withdrawn") & ~Q(end_reason="")),
                name="invitation_ended_how",
            ),
            models.UniqueConstraint(
                F("study"), Lower("email"), condition=Q(ended_at=None), name="invitation_once"
            ),
        ]
        triggers = [
            *never_deleted(),
            guard(
                "invitation_stays",
                operation=pgtrigger.Update,
                check=f"""OLD.ended_at IS NULL AND ({", ".join(f"OLD.{one}" for one in _SAME)})
                    IS NOT DISTINCT FROM ({", ".join(f"NEW.{one}" for one in _SAME)})""",
                sentence="An invitation keeps what it says, and one that ended stays so: make another one.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"invitation {self.pk}"


explain(
    {
        "invitation_once": (
            Conflict,
            "This address is invited to the study already. Withdraw that invitation first, or send it again.",
        ),
        "invitation_blind_kept": (
            Refused,
            "A pharmacist of a study can read arms, so the same person cannot hold a blinded role in it, "
            "now or later. Choose somebody else.",
        ),
        "invitation_roles_known": (Refused, "Choose at least one role."),
        "invitation_ends_after_start": (
            Refused,
            "The role ends before it starts. Check the two dates.",
        ),
        "invitation_ended_how": (Refused, "Say why the invitation is withdrawn."),
    }
)
