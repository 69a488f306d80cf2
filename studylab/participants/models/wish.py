"""What somebody who left says may happen: safety follow-up, the data collected so far, being contacted again."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import F, Q

from studylab.audit.history import append_only, fits, guard
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models.person import Participant
from studylab.people.models import User


class LeavingWish(models.Model):
    """One entry of what a volunteer said at or after leaving, or a later one. Rows are added, never changed.

    No consent guards it: whoever agreed to nothing may all the same say what happens with what is kept.
    """

    class Answer(models.TextChoices):
        YES = "yes", "yes"
        NO = "no", "no"
        SILENT = "silent", "asked, no answer given"

    class Use(models.TextChoices):
        ANALYSIS = "analysis", "kept for analysis"
        NO_USE = "no_use", "not to be used further"
        SILENT = "silent", "asked, no answer given"

    class How(models.TextChoices):
        PERSON = "person", "in person"
        PHONE = "phone", "on the phone"
        LETTER = "letter", "by letter"
        MESSAGE = "message", "by e-mail or text message"
        OWN_PAGE = "own_page", "on their own page"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="wishes")
    safety_contact = models.CharField(max_length=10, choices=Answer.choices)
    use = models.CharField(max_length=10, choices=Use.choices)
    contact_again = models.CharField(max_length=10, choices=Answer.choices)
    how = models.CharField(max_length=10, choices=How.choices)
    said_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, related_name="superseded_by"
    )
    reason = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(safety_contact__in=["yes", "no", "silent"])
                & Q(contact_again__in=["yes", "no", "silent"])
                & Q(use__in=["analysis", "no_use", "silent"])
                & Q(how__in=["person", "phone", "letter", "message", "own_page"]),
                name="wish_known",
            ),
            models.CheckConstraint(
                condition=Q(said_at__lte=F("recorded_at")), name="wish_not_in_future"
            ),
            models.CheckConstraint(
                condition=Q(supersedes=None) | ~Q(reason=""), name="wish_change_has_reason"
            ),
            models.UniqueConstraint(
                fields=["participant"], condition=Q(supersedes=None), name="wish_begun_once"
            ),
        ]
        triggers = [
            *append_only(),
            fits(
                "wish_follows_own", column="supersedes_id", table="participants_leavingwish",
                same=("participant_id",), sentence="A later entry follows one of the same volunteer.",
            ),
            guard(
                "wish_after_leaving",
                operation=pgtrigger.Insert,
                check="""EXISTS (SELECT 1 FROM participants_participant p
                    WHERE p.id = NEW.participant_id AND p.status <> 'active')""",
                sentence="This volunteer still takes part. Record the withdrawal first.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"wish of {self.said_at}"


explain(
    {
        "wish_known": (Refused, "Answer each question with one of the answers shown."),
        "wish_not_in_future": (Refused, "This is later than now. Check date and time."),
        "wish_change_has_reason": (Refused, "Say why there is a further entry."),
        "wish_begun_once": (Conflict, "A wish is on record already. Look at it, then add to it."),
        "participants_leavingwish_supersedes_id_key": (
            Conflict,
            "Somebody added an entry meanwhile. Look at the newest one.",
        ),
    }
)
