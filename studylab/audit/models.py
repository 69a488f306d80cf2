"""The append-only trail: what was done, what rows changed, and the chain over it."""

import uuid

from django.db import models
from django.db.models import Q

from studylab.audit.actions import SIGNING
from studylab.audit.history import append_only, kept
from studylab.db import explain
from studylab.errors import Conflict


class CurrentTransaction(models.Func):
    """The database's number of the running transaction, an ever-growing 64-bit counter."""

    template = "pg_current_xact_id()::text::bigint"
    output_field = models.BigIntegerField()


class Event(models.Model):
    """One act, in the words of the house, written inside the transaction of the act.

    The subject is kept by value so that the event outlives it. `transaction_id` lets the sealing job tell
    events that are certainly committed from those that may still be rolled back.
    """

    at = models.DateTimeField()
    actor_id = models.BigIntegerField(null=True)
    actor_label = models.CharField(max_length=200)
    role = models.CharField(max_length=200, blank=True)
    action = models.CharField(max_length=60)
    study_id = models.BigIntegerField(null=True)
    subject_type = models.CharField(max_length=60)
    subject_code = models.CharField(max_length=80)
    participant_code = models.CharField(max_length=40, blank=True)
    reason = models.TextField(blank=True)
    data = models.JSONField(default=dict)
    request_id = models.UUIDField()
    transaction_id = models.BigIntegerField(db_default=CurrentTransaction())

    class Meta:
        indexes = [
            models.Index(fields=["study_id", "-at", "-id"], name="event_by_study_time"),
            models.Index(fields=["participant_code", "-id"], name="event_by_participant"),
            # Did the request that sent this form write anything? (SubmissionMiddleware)
            models.Index(fields=["request_id"], name="event_by_request"),
            # What the chain has not come to yet.
            models.Index(fields=["transaction_id"], name="event_by_transaction"),
            # Refused sign-ins of one address in the last minutes.
            models.Index(
                fields=["subject_code", "-id"],
                condition=models.Q(subject_type="sign_in"),
                name="event_by_sign_in",
            ),
            # Signatures of one person in the last hour: given, refused, locked.
            models.Index(
                fields=["actor_id", "-at", "-id"],
                condition=models.Q(action__in=[one.value for one in SIGNING]),
                name="event_by_signer",
            ),
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return f"{self.pk} {self.action}"


class Link(models.Model):
    """One link of the hash chain: SHA-256 over the link before and the event's content.

    `settled_below` is the database's transaction number below which everything had ended when the link
    was made: no event of an older transaction may be linked after it.
    """

    event = models.OneToOneField(Event, on_delete=models.PROTECT)
    hash = models.CharField(max_length=64)
    sealed_at = models.DateTimeField()
    settled_below = models.BigIntegerField(null=True)

    class Meta:
        triggers = append_only()

    def __str__(self) -> str:
        return f"{self.event_id} {self.hash[:12]}"


class RowChange(models.Model):
    """What a trigger saw: one row before and after."""

    at = models.DateTimeField()
    table_name = models.CharField(max_length=80)
    row_id = models.BigIntegerField()
    operation = models.CharField(max_length=10)
    old = models.JSONField(null=True)
    new = models.JSONField(null=True)
    actor = models.CharField(max_length=200, blank=True)
    request = models.CharField(max_length=40, blank=True)

    class Meta:
        indexes = [
            models.Index(fields=["table_name", "row_id", "id"], name="rowchange_by_row"),
            # What did the request behind an event change? (the record's old and new values)
            models.Index(fields=["request"], name="rowchange_by_request"),
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return f"{self.operation} {self.table_name} {self.row_id}"


class Submission(models.Model):
    """One sent form, so that a double click or a repeated request writes once.

    `answer` is where the first one was sent on to; empty while it is still being worked on. `request_id`
    is that of the events it writes: should the answer be lost, they tell whether anything was recorded.
    """

    key = models.UUIDField(primary_key=True)
    user_id = models.BigIntegerField()
    path = models.CharField(max_length=400)
    at = models.DateTimeField()
    request_id = models.UUIDField(null=True)
    answer = models.CharField(max_length=400, blank=True)

    def __str__(self) -> str:
        return str(self.key)


class SealCheck(models.Model):
    """One check of every seal of the record, taken up again after the last link that fitted when its worker ends.

    The row is the queue. `after_id`, `head`, `batch` and `floor` are where the walk stands; what was found is on the
    trail as an event too, which nobody can change. `manage.py verify_audit` walks in one go and trusts no row.
    """

    class State(models.TextChoices):
        WAITING = "waiting", "waiting to begin"
        RUNNING = "running", "under way"
        DONE = "done", "done"
        STOPPED = "stopped", "stopped"
        FAILED = "failed", "failed"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING)
    asked_at = models.DateTimeField()
    asked_by = models.CharField(max_length=200)
    attempt = models.PositiveSmallIntegerField(default=0)  # how often a worker began it
    claimed_at = models.DateTimeField(null=True)
    beat_at = models.DateTimeField(null=True)
    stop_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)
    stage = models.CharField(max_length=60, blank=True)
    total = models.PositiveBigIntegerField(default=0)  # links when it began
    links = models.PositiveBigIntegerField(default=0)
    after_id = models.BigIntegerField(default=0)
    head = models.CharField(max_length=64, blank=True)
    batch = models.BigIntegerField(null=True)
    floor = models.BigIntegerField(null=True)
    unsealed = models.PositiveBigIntegerField(null=True)
    broken_at = models.BigIntegerField(null=True)
    problem = models.CharField(max_length=300, blank=True)
    trouble = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(
                models.Value(1),
                condition=Q(state__in=["waiting", "running"]),
                name="seal_check_one_at_a_time",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["waiting", "running", "done", "stopped", "failed"]),
                name="seal_check_state_known",
            ),
            models.CheckConstraint(
                condition=~Q(state="done") | Q(ended_at__isnull=False, unsealed__isnull=False),
                name="seal_check_done_says_what",
            ),
        ]
        triggers = kept()

    def __str__(self) -> str:
        return f"check of the seals {self.uid}"

    @property
    def is_open(self) -> bool:
        """Whether it is still to begin or under way."""
        return self.state in (self.State.WAITING, self.State.RUNNING)


explain(
    {
        "seal_check_one_at_a_time": (
            Conflict,
            "The seals are being checked already. Wait for it, or stop it first.",
        ),
    }
)
