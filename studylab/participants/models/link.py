"""Personal links of volunteers, and the devices they were opened on."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import F, Q

from studylab.audit.history import append_only, guard, never_deleted
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models.person import Participant
from studylab.people.models import User


class PersonalLink(models.Model):
    """One link for one volunteer and one purpose. Its secret is shown once and kept as a digest only."""

    class Purpose(models.TextChoices):
        QUESTIONS = "questions", "health questions"
        VISITS = "visits", "visits and what to bring"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="links")
    purpose = models.CharField(max_length=20, choices=Purpose.choices)
    token_digest = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    expires_at = models.DateTimeField()
    opened_at = models.DateTimeField(null=True)
    wrong_tries = models.PositiveSmallIntegerField(default=0)
    used_at = models.DateTimeField(null=True)
    revoked_at = models.DateTimeField(null=True)
    revoked_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    revoked_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(expires_at__gt=F("made_at")), name="link_has_life"),
            models.CheckConstraint(
                condition=Q(revoked_at=None) | ~Q(revoked_reason=""), name="link_end_has_reason"
            ),
            models.UniqueConstraint(
                fields=["participant", "purpose"],
                condition=Q(revoked_at=None, used_at=None),
                name="link_one_open",
            ),
        ]
        triggers = [
            *never_deleted(),
            guard(
                "link_stays",
                operation=pgtrigger.Update,
                check="""NEW.token_digest = OLD.token_digest AND NEW.participant_id = OLD.participant_id
                    AND NEW.purpose = OLD.purpose AND NEW.made_at = OLD.made_at
                    AND NEW.expires_at = OLD.expires_at AND NEW.wrong_tries >= OLD.wrong_tries
                    AND (OLD.revoked_at IS NULL OR NEW.revoked_at IS NOT DISTINCT FROM OLD.revoked_at)
                    AND (OLD.used_at IS NULL OR NEW.used_at IS NOT DISTINCT FROM OLD.used_at)""",
                sentence="A personal link is neither changed nor opened again; make a new one.",
            ),
        ]

    def __str__(self) -> str:
        return f"link for {self.get_purpose_display()}"


class LinkDevice(models.Model):
    """A browser that was let in by a link. It carries a secret of its own in a cookie, kept as a digest."""

    class Way(models.TextChoices):
        FIRST = "first", "first to open the link"
        BIRTH_DATE = "birth_date", "gave the birth date"

    link = models.ForeignKey(PersonalLink, on_delete=models.PROTECT, related_name="devices")
    secret_digest = models.CharField(max_length=64, unique=True)
    way = models.CharField(max_length=10, choices=Way.choices)
    at = models.DateTimeField()

    class Meta:
        triggers = append_only()

    def __str__(self) -> str:
        return self.get_way_display()


class Knock(models.Model):
    """How often something was tried in one stretch of time. Housekeeping: no content, gone after a day."""

    bucket = models.CharField(max_length=64)
    begins_at = models.DateTimeField()
    count = models.PositiveIntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["bucket", "begins_at"], name="knock_once_per_stretch")
        ]

    def __str__(self) -> str:
        return f"{self.count}"


explain(
    {
        "link_has_life": (Refused, "A link ends after it was made. Choose how long it stays open."),
        "link_end_has_reason": (Refused, "Say why the link is withdrawn."),
        "link_one_open": (
            Conflict,
            "Somebody else made a link for this volunteer just now. Open the page again.",
        ),
    }
)
