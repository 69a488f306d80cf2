"""What went differently from the protocol."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import Q

from studylab.audit.history import guard, never_deleted
from studylab.db import explain
from studylab.errors import Refused
from studylab.participants.models.person import Participant
from studylab.people.models import Signature, User
from studylab.studies.models import Study

# Kinds for which it is asked at once whether they could be a serious breach.
BREACH_KINDS = frozenset({"consent_order", "kit", "dose", "identity", "code"})


class Deviation(models.Model):
    """One deviation. It is explained, then closed by signature; nothing else makes it go away."""

    class Kind(models.TextChoices):
        CONSENT_ORDER = "consent_order", "procedure before consent"
        SPACING = "spacing", "visit outside its window"
        WAIT = "wait", "wait not kept"
        LIMITS = "limits", "value outside the limits"
        STEP = "step", "step skipped or out of order"
        KIT = "kit", "wrong kit"
        DOSE = "dose", "wrong dose"
        IDENTITY = "identity", "wrong person"
        LEAVE = "leave", "left before fit to leave"
        CODE = "code", "code opened"
        OTHER = "other", "something else"

    class Breach(models.TextChoices):
        NO = "no", "no"
        MAYBE = "maybe", "perhaps"
        YES = "yes", "yes"

    class State(models.TextChoices):
        OPEN = "open", "to be explained"
        EXPLAINED = "explained", "explained, waits for a second person"
        CLOSED = "closed", "closed"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="deviations")
    participant = models.ForeignKey(
        Participant, on_delete=models.PROTECT, null=True, related_name="deviations"
    )
    kind = models.CharField(max_length=20, choices=Kind.choices)
    what = models.TextField()
    subject = models.CharField(max_length=120, blank=True)  # for example "visit 2, step dose"
    found_by_system = models.BooleanField(default=False)
    occurred_at = models.DateTimeField()
    aware_at = models.DateTimeField(null=True)  # when anybody of the study first knew of it
    breach = models.CharField("could be a serious breach", max_length=5, choices=Breach.choices, blank=True)  # fmt: skip
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    state = models.CharField(max_length=10, choices=State.choices, default=State.OPEN)
    explanation = models.TextField(blank=True)
    explained_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    explained_at = models.DateTimeField(null=True)
    closed_at = models.DateTimeField(null=True)
    closing = models.ForeignKey(Signature, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=["open", "explained", "closed"]), name="deviation_state_known"
            ),
            models.CheckConstraint(
                condition=~Q(state="closed")
                | (Q(closing__isnull=False, closed_at__isnull=False) & ~Q(explanation="")),
                name="deviation_closed_by_signature",
            ),
        ]
        indexes = [
            models.Index(fields=["study", "state", "-recorded_at"], name="deviation_by_state")
        ]
        triggers = [
            *never_deleted(),
            guard(
                "closed_by_second",
                operation=pgtrigger.Insert | pgtrigger.Update,
                check="""NEW.state <> 'closed' OR EXISTS (
                    SELECT 1 FROM people_signature s
                    WHERE s.id = NEW.closing_id AND s.user_id IS DISTINCT FROM NEW.explained_by_id
                )""",
                sentence="A deviation is closed by somebody other than who explained it.",
            ),
            guard(
                "closed_stays",
                operation=pgtrigger.Update,
                check="OLD.state <> 'closed'",
                sentence="A closed deviation stays as it was signed. Record a new one.",
            ),
        ]

    def __str__(self) -> str:
        return self.what


explain(
    {
        "deviation_closed_by_signature": (
            Refused,
            "A deviation is closed by a signature, after it was explained.",
        ),
    }
)
