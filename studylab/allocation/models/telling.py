"""Whether a volunteer wants to know their arm once the list is open, and that they were told. No arm stands here."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import F, Q

from studylab.audit.history import append_only, fits, guard
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.participants.models.consent import consent_first
from studylab.people.models import User


class How(models.TextChoices):
    """How something was said between a volunteer and the lab."""

    PERSON = "person", "in person"
    PHONE = "phone", "on the phone"
    LETTER = "letter", "by letter"


class ArmWish(models.Model):
    """One entry of what a volunteer answered when asked whether they want to know; the newest counts."""

    class Wants(models.TextChoices):
        YES = "yes", "wants to know"
        NO = "no", "does not want to know"
        OPEN = "open", "asked, has not decided"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(
        Participant, on_delete=models.PROTECT, related_name="arm_wishes"
    )
    wants = models.CharField(max_length=5, choices=Wants.choices)
    how = models.CharField(max_length=10, choices=How.choices)
    said_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, related_name="superseded_by"
    )

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(wants__in=["yes", "no", "open"])
                & Q(how__in=["person", "phone", "letter"]),
                name="arm_wish_known",
            ),
            models.CheckConstraint(
                condition=Q(said_at__lte=F("recorded_at")), name="arm_wish_not_in_future"
            ),
            models.UniqueConstraint(
                fields=["participant"], condition=Q(supersedes=None), name="arm_wish_begun_once"
            ),
        ]
        triggers = [
            *append_only(),
            consent_first("said_at"),
            fits(
                "arm_wish_follows_own", column="supersedes_id", table="allocation_armwish",
                same=("participant_id",), sentence="A later answer follows one of the same volunteer.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"wish {self.uid}"


class ArmTelling(models.Model):
    """That somebody was told, by whom and when. `told` false takes an entry back that was a mistake."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(
        Participant, on_delete=models.PROTECT, related_name="arm_tellings"
    )
    told = models.BooleanField()
    how = models.CharField(max_length=10, choices=How.choices)
    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, related_name="superseded_by"
    )
    reason = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(how__in=["person", "phone", "letter"]), name="arm_telling_how"
            ),
            models.CheckConstraint(
                condition=Q(at__lte=F("recorded_at")), name="arm_telling_not_in_future"
            ),
            models.CheckConstraint(
                condition=Q(supersedes=None, told=True)
                | (Q(supersedes__isnull=False) & ~Q(reason="")),
                name="arm_telling_correction_has_reason",
            ),
            models.UniqueConstraint(
                fields=["participant"], condition=Q(supersedes=None), name="arm_telling_begun_once"
            ),
        ]
        triggers = [
            *append_only(),
            fits(
                "arm_telling_follows_own", column="supersedes_id", table="allocation_armtelling",
                same=("participant_id",), sentence="A correction follows an entry of the same volunteer.",
            ),
            guard(
                "told_after_opening",
                operation=pgtrigger.Insert,
                check="""EXISTS (
                    SELECT 1 FROM allocation_listopening o
                    JOIN allocation_allocationlist l ON l.id = o.list_id
                    JOIN participants_participant p ON p.study_id = l.study_id
                    WHERE p.id = NEW.participant_id AND o.agreed_at <= NEW.at)""",
                sentence="Nobody is told an arm before the list is open.",
            ),
            guard(
                "told_who_wants",
                operation=pgtrigger.Insert,
                check="""NOT NEW.told OR (
                    SELECT w.wants FROM allocation_armwish w WHERE w.participant_id = NEW.participant_id
                    ORDER BY w.id DESC LIMIT 1) = 'yes'""",
                sentence="Only a volunteer who said that they want to know is told.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"telling {self.uid}"


explain(
    {
        "arm_wish_known": (Refused, "Choose one of the answers."),
        "arm_wish_not_in_future": (Refused, "This is later than now. Check date and time."),
        "arm_wish_begun_once": (
            Conflict,
            "Somebody recorded an answer meanwhile. Look at it first.",
        ),
        "allocation_armwish_supersedes_id_key": (
            Conflict,
            "Somebody recorded an answer meanwhile. Look at it first.",
        ),
        "arm_telling_how": (Refused, "Choose how the volunteer was told."),
        "arm_telling_not_in_future": (Refused, "This is later than now. Check date and time."),
        "arm_telling_correction_has_reason": (Refused, "Say why the entry is corrected."),
        "arm_telling_begun_once": (Conflict, "It is on record already that they were told."),
        "allocation_armtelling_supersedes_id_key": (
            Conflict,
            "This entry was corrected meanwhile.",
        ),
    }
)
