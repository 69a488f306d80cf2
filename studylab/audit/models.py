"""The append-only trail: what was done, what rows changed, and the chain over it."""

from django.db import models

from studylab.audit.history import append_only


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
            # Refused sign-ins of one address in the last minutes.
            models.Index(
                fields=["subject_code", "-id"],
                condition=models.Q(subject_type="sign_in"),
                name="event_by_sign_in",
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
