"""Plans for a batch of volunteers: what was asked, how far the search is, and what it proposes.

Proposals, not bookings: nothing here holds a place. What is accepted becomes series of its own.
"""

import uuid

from django.db import models
from django.db.models import F, Q

from scheduling.models.series import Series
from studylab.audit.history import history
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.people.models import User
from studylab.studies.models import ProtocolVersion, Study


class PlanRun(models.Model):
    """One search for a plan. The row is the queue: a worker claims it by changing its state."""

    class State(models.TextChoices):
        WAITING = "waiting", "waiting to begin"
        RUNNING = "running", "under way"
        READY = "ready", "ready"
        STOPPED = "stopped", "stopped, best so far kept"
        FAILED = "failed", "failed"

    class Purpose(models.TextChoices):
        PLAN = "plan", "plan"
        WHAT_IF = "what_if", "what if"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="plan_runs")
    protocol_version = models.ForeignKey(
        ProtocolVersion, on_delete=models.PROTECT, related_name="+"
    )
    purpose = models.CharField(max_length=10, choices=Purpose.choices, default=Purpose.PLAN)
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING)
    first_day = models.DateField()
    last_day = models.DateField()
    movable_from = models.DateField(null=True)
    seconds = models.PositiveSmallIntegerField()
    asked_at = models.DateTimeField()
    asked_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    attempt = models.PositiveSmallIntegerField(default=0)  # how often a worker began it
    claimed_at = models.DateTimeField(null=True)
    beat_at = models.DateTimeField(null=True)
    stop_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)
    stage = models.CharField(max_length=120, blank=True)
    people = models.PositiveIntegerField(default=0)
    first_fit = models.PositiveIntegerField(default=0)
    placed = models.PositiveIntegerField(default=0)
    bound = models.PositiveIntegerField(null=True)
    story = models.JSONField(default=list)  # [seconds, placed, bound] whenever one of them changed
    left_out = models.JSONField(default=list)  # [code, why] of people who cannot be planned now
    answer = models.JSONField(default=list)  # what-if: one object per change that was tried
    trouble = models.CharField(max_length=300, blank=True)
    decided_at = models.DateTimeField(null=True)
    decided_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["study"],
                condition=Q(state__in=["waiting", "running"]),
                name="plan_one_at_a_time",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["waiting", "running", "ready", "stopped", "failed"]),
                name="plan_state_known",
            ),
            models.CheckConstraint(
                condition=Q(last_day__gte=F("first_day")), name="plan_days_in_order"
            ),
            models.CheckConstraint(
                condition=Q(bound=None) | Q(bound__gte=F("placed")), name="plan_bound_holds"
            ),
        ]

    def __str__(self) -> str:
        return f"plan {self.uid}"

    @property
    def is_open(self) -> bool:
        """Whether the search is still to begin or under way."""
        return self.state in (self.State.WAITING, self.State.RUNNING)


class PlanRow(models.Model):
    """What a plan proposes for one volunteer: a new series, or with `series` other times for a booked one."""

    class State(models.TextChoices):
        PROPOSED = "proposed", "proposed"
        ACCEPTED = "accepted", "accepted"
        LEFT = "left", "not taken"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    run = models.ForeignKey(PlanRun, on_delete=models.PROTECT, related_name="rows")
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="+")
    series = models.ForeignKey(Series, on_delete=models.PROTECT, null=True, related_name="+")
    before = models.JSONField(default=list)  # [number, start as ISO text] of a series that moves
    option = models.JSONField()  # [number, start, places per segment] per visit
    state = models.CharField(max_length=10, choices=State.choices, default=State.PROPOSED)

    class Meta:
        ordering = ["run_id", "id"]
        constraints = [
            models.UniqueConstraint(fields=["run", "participant"], name="plan_row_once"),
            models.CheckConstraint(
                condition=Q(state__in=["proposed", "accepted", "left"]), name="plan_row_state_known"
            ),
        ]
        triggers = history()

    def __str__(self) -> str:
        return f"proposal {self.uid}"


explain(
    {
        "plan_one_at_a_time": (
            Conflict,
            "A plan is being made already. Wait for it, or stop it first.",
        ),
        "plan_days_in_order": (Refused, "The last day comes before the first."),
    }
)
