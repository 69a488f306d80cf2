"""What volunteers say by themselves on their own page, and who saw to it."""

import uuid

from django.db import models
from django.db.models import Q

from studylab.audit.history import append_only, fits
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models.hold import Hold
from studylab.participants.models.person import Participant
from studylab.people.models import User


class VolunteerWord(models.Model):
    """Words of a volunteer as typed, with the server's time. `hold` keeps the next dose until a clinician has looked.

    No consent is asked for here: whoever feels unwell is heard. `key` belongs to one sent form, so that a double
    press writes once.
    """

    class Kind(models.TextChoices):
        UNWELL = "unwell", "does not feel well"
        MEDICINE = "medicine", "started a medicine"
        WITHDREW = "withdrew", "withdrew from the study"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    key = models.UUIDField(unique=True)
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="words")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    text = models.TextField(blank=True)
    since = models.CharField(max_length=200, blank=True)
    amount = models.CharField(max_length=200, blank=True)
    at = models.DateTimeField()
    hold = models.ForeignKey(Hold, on_delete=models.PROTECT, null=True, related_name="words")

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind="withdrew") | (Q(kind__in=["unwell", "medicine"]) & ~Q(text="")),
                name="word_says_something",
            ),
        ]
        triggers = [
            *append_only(),
            fits(
                "word_of_own_hold", column="hold_id", table="participants_hold",
                same=("participant_id",), sentence="The hold is another volunteer's.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"{self.participant.code} {self.get_kind_display()}"


class WordAct(models.Model):
    """Somebody looks after a volunteer's words ("taken"), or says what was done about them ("done")."""

    class Kind(models.TextChoices):
        TAKEN = "taken", "looks after it"
        DONE = "done", "what was done"

    word = models.ForeignKey(VolunteerWord, on_delete=models.PROTECT, related_name="acts")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    text = models.TextField(blank=True)
    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind="taken", text="") | (Q(kind="done") & ~Q(text="")),
                name="word_act_says_what",
            ),
            models.UniqueConstraint(
                fields=["word"], condition=Q(kind="done"), name="word_done_once"
            ),
            models.UniqueConstraint(
                fields=["word", "by"], condition=Q(kind="taken"), name="word_taken_once"
            ),
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.word}"


explain(
    {
        "word_says_something": (Refused, "Write a few words."),
        "word_act_says_what": (Refused, "Say what was done."),
        "word_done_once": (Conflict, "Somebody else wrote down meanwhile what was done."),
        "word_taken_once": (Conflict, "You look after this already."),
    }
)
