"""Messages as rows: each is written down before anything is sent, and says what became of it.

No address, no name and no text stands here. Both are read at the moment of sending and forgotten.
"""

import uuid

import pgtrigger
from django.db import models
from django.db.models import F, Q

from studylab.audit.history import append_only, fits, guard, kept
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.outbox.rules.states import MOVES, STATE_WORDS, Outcome, State
from studylab.participants.models import Participant
from studylab.people.models import Invitation, User
from studylab.studies.models import Study

_MOVES = " OR ".join(
    f"(OLD.state = '{before}' AND NEW.state IN ({', '.join(repr(str(a)) for a in after)}))"
    for before, after in MOVES.items()
    if after
)


class Message(models.Model):
    """One message to one addressee: a volunteer, a member of staff, or somebody invited who may have no account. `key` names the occasion: the same occasion is never queued twice.

    Sending it is of use until `useful_until`; until `matters_until` somebody has to know another way, for example by a
    call before a visit. `next_at` is when it is tried next, `claim` which worker holds it until `claimed_until`. What a person decided about
    a message that did not go out by itself stands in the `decided_` columns.
    """

    class Decision(models.TextChoices):
        SENT = "sent", "It reached the addressee"
        AGAIN = "again", "Send it again"
        LEAVE = "leave", "Leave it: not needed, or told another way"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.ForeignKey(Study, on_delete=models.PROTECT, null=True, related_name="messages")
    kind = models.CharField(max_length=40)
    participant = models.ForeignKey(
        Participant, on_delete=models.PROTECT, null=True, related_name="messages"
    )
    user = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="messages")
    invitation = models.ForeignKey(
        Invitation, on_delete=models.PROTECT, null=True, related_name="messages"
    )
    about = models.CharField(max_length=80)
    key = models.CharField(max_length=160, unique=True)
    language = models.CharField(max_length=10, default="en")
    queued_at = models.DateTimeField()
    due_at = models.DateTimeField()
    useful_until = models.DateTimeField()
    matters_until = models.DateTimeField()
    state = models.CharField(
        max_length=10, choices=[(s.value, STATE_WORDS[s]) for s in State], default=State.WAITING
    )
    attempts = models.PositiveSmallIntegerField(default=0)
    next_at = models.DateTimeField()
    claim = models.UUIDField(null=True)
    claimed_until = models.DateTimeField(null=True)
    sent_at = models.DateTimeField(null=True)
    note = models.CharField(max_length=300, blank=True)
    decision = models.CharField(max_length=5, choices=Decision.choices, blank=True)
    decided_at = models.DateTimeField(null=True)
    decided_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(participant=None, user__isnull=False, invitation=None)
                | Q(participant=None, user=None, invitation__isnull=False, study__isnull=False)
                | Q(participant__isnull=False, user=None, invitation=None, study__isnull=False),
                name="message_one_addressee",
            ),
            models.CheckConstraint(
                condition=Q(state__in=[str(state) for state in State]), name="message_state_known"
            ),
            models.CheckConstraint(
                condition=Q(state="sent", sent_at__isnull=False)
                | (~Q(state="sent") & Q(sent_at=None)),
                name="message_sent_has_time",
            ),
            models.CheckConstraint(
                condition=Q(
                    state__in=["claimed", "sending"],
                    claim__isnull=False,
                    claimed_until__isnull=False,
                )
                | (~Q(state__in=["claimed", "sending"]) & Q(claim=None, claimed_until=None)),
                name="message_claim_held",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["failed", "question", "refused", "too_late", "dropped"])
                | ~Q(note=""),
                name="message_end_has_reason",
            ),
            models.CheckConstraint(
                condition=Q(useful_until__gt=F("due_at")), name="message_useful_after_due"
            ),
            models.CheckConstraint(
                condition=Q(matters_until__gte=F("useful_until")), name="message_matters_after_use"
            ),
            models.CheckConstraint(
                condition=Q(decision="", decided_at=None, decided_by=None)
                | (~Q(decision="") & Q(decided_at__isnull=False, decided_by__isnull=False)),
                name="message_decided_by_somebody",
            ),
        ]
        indexes = [
            models.Index(
                fields=["next_at", "id"], condition=Q(state="waiting"), name="message_waiting"
            ),
            models.Index(
                fields=["claimed_until"], condition=Q(state__in=["claimed", "sending"]), name="message_held"
            ),
            models.Index(fields=["study", "state", "-due_at"], name="message_by_state"),
            models.Index(fields=["about"], condition=Q(state__in=["waiting", "claimed"]), name="message_about"),
        ]  # fmt: skip
        triggers = [
            *kept(),  # its attempts are its history
            fits(
                "message_of_own_study", column="participant_id", table="participants_participant",
                same=("study_id",), sentence="The volunteer takes part in another study.",
            ),
            guard(
                "message_moves",
                operation=pgtrigger.Update,
                check=f"OLD.state = NEW.state OR {_MOVES}",
                sentence="A message does not go back, and one that was sent or dropped stays so.",
            ),
            guard(
                "message_stays_what_it_is",
                operation=pgtrigger.Update,
                check="""(OLD.study_id, OLD.kind, OLD.participant_id, OLD.user_id, OLD.invitation_id, OLD.about, OLD.key, OLD.due_at)
                    IS NOT DISTINCT FROM
                    (NEW.study_id, NEW.kind, NEW.participant_id, NEW.user_id, NEW.invitation_id, NEW.about, NEW.key, NEW.due_at)""",
                sentence="A message keeps its addressee and its occasion: queue another one.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"message {self.pk}"


class Attempt(models.Model):
    """Written before a message is handed over: after this row nobody can say "it surely did not go out"."""

    message = models.ForeignKey(Message, on_delete=models.PROTECT, related_name="tries")
    number = models.PositiveSmallIntegerField()
    begun_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["message", "number"], name="message_attempt_once"),
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return f"attempt {self.number}"


class AttemptEnd(models.Model):
    """Written after: what became of it, and what the server answered, without anybody's address."""

    attempt = models.OneToOneField(Attempt, on_delete=models.PROTECT, related_name="end")
    ended_at = models.DateTimeField()
    outcome = models.CharField(max_length=10, choices=[(o.value, o.value) for o in Outcome])
    answer = models.CharField(max_length=300)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(outcome__in=[str(outcome) for outcome in Outcome]),
                name="message_outcome_known",
            ),
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return self.outcome


explain(
    {
        "message_one_addressee": (Refused, "A message goes to one volunteer, one member of staff or somebody invited."),
        "message_end_has_reason": (Refused, "Say why the message did not go out."),
        "message_useful_after_due": (
            Refused,
            "This message would be of no use any more when it is due.",
        ),
        "outbox_message_key_key": (Conflict, "This message is queued already."),
    }
)  # fmt: skip
