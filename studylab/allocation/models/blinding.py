"""Who learnt an arm by accident, who guesses what, who practised, and the paper cards. No arm stands here."""

import uuid

from django.db import models
from django.db.models import F, Q

from studylab.allocation.models.numbers import ListEntry
from studylab.allocation.models.reveals import Reveal
from studylab.audit.history import append_only
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.participants.models.consent import consent_first
from studylab.people.models import User
from studylab.studies.models import Study


class Learnt(models.Model):
    """Somebody learnt an arm, or believes to know it, outside the openings of codes."""

    class Who(models.TextChoices):
        VOLUNTEER = "volunteer", "the volunteer"
        EXPERIMENTER = "experimenter", "an experimenter"
        CLINICIAN = "clinician", "a clinician"
        COORDINATOR = "coordinator", "a coordinator"
        LEAD = "lead", "the study lead"
        OTHER = "other", "somebody else"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="learnt")
    who = models.CharField(max_length=12, choices=Who.choices)
    names = models.CharField(max_length=200)
    certain = models.BooleanField()  # False: believes to know
    how = models.TextField()
    effect = models.TextField()
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(occurred_at__lte=F("recorded_at")), name="learnt_not_in_future"
            ),
            models.CheckConstraint(condition=~Q(how="") & ~Q(effect=""), name="learnt_is_told"),
        ]
        triggers = [*append_only(), consent_first("occurred_at")]

    def __str__(self) -> str:
        return f"learnt {self.uid}"


class Guess(models.Model):
    """What somebody believes, once before the last visit and once after it.

    `arm_place` counts the protocol's arms from 1; 0: don't know. A belief that is asked only after the outcome is
    known may come from the outcome.
    """

    class Teller(models.TextChoices):
        VOLUNTEER = "volunteer", "the volunteer"
        EXPERIMENTER = "experimenter", "the experimenter"

    class Stage(models.TextChoices):
        BEFORE = "before", "before the last visit"
        AFTER = "after", "after the last visit"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="guesses")
    teller = models.CharField(max_length=12, choices=Teller.choices)
    stage = models.CharField(max_length=6, choices=Stage.choices, default=Stage.AFTER)
    arm_place = models.PositiveSmallIntegerField()
    sure = models.PositiveSmallIntegerField()  # 0 a mere guess to 100 certain
    why = models.CharField(max_length=300, blank=True)
    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["participant", "teller", "stage"], name="guess_once"),
            models.CheckConstraint(
                condition=Q(stage__in=["before", "after"]), name="guess_stage_known"
            ),
            models.CheckConstraint(condition=Q(sure__lte=100), name="guess_sure_in_range"),
        ]
        triggers = [*append_only(), consent_first("at")]

    def __str__(self) -> str:
        return f"guess {self.uid}"


class Drill(models.Model):
    """A clinician practised opening a code on a person who does not exist."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="drills")
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    began_at = models.DateTimeField()
    ended_at = models.DateTimeField()
    outside = models.BooleanField()  # from a phone or another network than the lab's
    numbers = models.CharField(max_length=200)  # the telephone numbers as they stood then
    rests_on = models.CharField(max_length=64, blank=True)  # digest of numbers, text and key then

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(ended_at__gte=F("began_at")), name="drill_in_order")
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return f"drill {self.uid}"

    @property
    def seconds(self) -> int:
        """How long it took from the first page to the arm."""
        return round((self.ended_at - self.began_at).total_seconds())


class CodeCard(models.Model):
    """A paper card in an envelope for a power cut, printed for one issued number."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    entry = models.ForeignKey(ListEntry, on_delete=models.PROTECT, related_name="cards")
    serial = models.CharField(max_length=12, unique=True)
    kept = models.CharField("where it is kept", max_length=120)
    numbers = models.CharField(max_length=200)  # the telephone numbers printed on it
    printed_at = models.DateTimeField()
    printed_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        triggers = append_only()

    def __str__(self) -> str:
        return self.serial


class CardLine(models.Model):
    """What became of a card: opened, with the opening on record, destroyed sealed, or not to be found."""

    class What(models.TextChoices):
        OPENED = "opened", "opened"
        DESTROYED = "destroyed", "destroyed with its envelope whole"
        MISSING = "missing", "not found"

    card = models.OneToOneField(CodeCard, on_delete=models.PROTECT, related_name="line")
    what = models.CharField(max_length=10, choices=What.choices)
    reveal = models.OneToOneField(Reveal, on_delete=models.PROTECT, null=True, related_name="card")
    note = models.CharField(max_length=300)
    at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=(Q(what="opened") & Q(reveal__isnull=False))
                | (~Q(what="opened") & Q(reveal=None)),
                name="card_opened_with_reveal",
            )
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return f"{self.what} {self.card_id}"


explain(
    {
        "guess_once": (Conflict, "This guess is on record already. It is asked once."),
        "learnt_is_told": (Refused, "Say how it came about and what it means for the data."),
        "allocation_cardline_card_id_key": (Conflict, "What became of this card is on record."),
    }
)
