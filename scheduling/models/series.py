"""Booked series: visits, and the places each one occupies."""

import uuid

import pgtrigger
from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import ArrayField, DateTimeRangeField, RangeOperators
from django.contrib.postgres.indexes import GistIndex
from django.db import models
from django.db.models import F, Q

from scheduling.models.ranges import bounded
from scheduling.models.resources import Place
from studylab.audit.history import guard, never_deleted
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models import Deviation, Participant, Person
from studylab.participants.models.consent import consent_first
from studylab.people.models import User
from studylab.studies.models import ProtocolVersion


class Series(models.Model):
    """The visits of one volunteer, booked together.

    `ends_path` marks a cancelled one after which the study's rule books no other.
    """

    class State(models.TextChoices):
        OPEN = "open", "booked"
        DONE = "done", "done"
        CANCELLED = "cancelled", "cancelled"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="series")
    protocol_version = models.ForeignKey(
        ProtocolVersion, on_delete=models.PROTECT, related_name="+"
    )
    state = models.CharField(max_length=10, choices=State.choices, default=State.OPEN)
    booked_at = models.DateTimeField()
    booked_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    ended_at = models.DateTimeField(null=True)
    end_reason = models.CharField(max_length=300, blank=True)
    ends_path = models.BooleanField(default=False, db_default=False)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(ends_path=False) | Q(state="cancelled"),
                name="series_ends_when_cancelled",
            ),
            models.UniqueConstraint(
                fields=["participant"],
                condition=~Q(state="cancelled"),
                name="series_one_per_person",
            ),
            models.CheckConstraint(
                condition=~Q(state="cancelled") | ~Q(end_reason=""), name="series_cancel_has_reason"
            ),
        ]
        triggers = [*never_deleted(), consent_first("booked_at")]

    def __str__(self) -> str:
        return f"series {self.uid}"


class Visit(models.Model):
    """One visit of a series.

    `gap_earliest` to `gap_latest` is the window of its planned start after the planned start of `anchor`,
    in elapsed time. When it happens, `anchor_at` is what the rule really counts from (an earlier start or
    the dose), with `rule_earliest` to `rule_latest`. Outside either, a deviation must be on record.
    """

    class State(models.TextChoices):
        BOOKED = "booked", "booked"
        RUNNING = "running", "under way"
        DONE = "done", "done"
        MISSED = "missed", "missed"
        STOPPED = "stopped", "stopped early"
        CANCELLED = "cancelled", "cancelled"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    series = models.ForeignKey(Series, on_delete=models.PROTECT, related_name="visits")
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="visits")
    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    number = models.PositiveSmallIntegerField()
    planned = DateTimeRangeField()
    state = models.CharField(max_length=10, choices=State.choices, default=State.BOOKED)
    started_at = models.DateTimeField(null=True)
    started_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    ended_at = models.DateTimeField(null=True)
    ended_by_volunteer = models.BooleanField(
        default=False, db_default=False
    )  # of one stopped early
    # How often the appointment was moved, cancelled or taken up again: SEQUENCE of its calendar files.
    revision = models.PositiveIntegerField(default=0, db_default=0, editable=False)
    anchor = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, related_name="followers"
    )
    gap_earliest = models.DurationField(null=True)
    gap_latest = models.DurationField(null=True)
    anchor_at = models.DateTimeField(null=True)
    rule_earliest = models.DurationField(null=True)
    rule_latest = models.DurationField(null=True)
    spacing_deviation = models.ForeignKey(
        Deviation, on_delete=models.PROTECT, null=True, related_name="+"
    )

    class Meta:
        ordering = ["number"]
        constraints = [
            bounded("planned", "visit_planned_bounded"),
            models.CheckConstraint(
                condition=Q(ended_by_volunteer=False) | Q(state="stopped"),
                name="visit_volunteer_ends_stopped",
            ),
            models.UniqueConstraint(fields=["series", "number"], name="visit_number_once"),
            models.CheckConstraint(
                condition=Q(anchor=None) | Q(gap_earliest__isnull=False, gap_latest__isnull=False),
                name="visit_anchor_has_window",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["booked", "cancelled", "missed"])
                | Q(started_at__isnull=False),
                name="visit_started_has_time",
            ),
            models.CheckConstraint(
                condition=Q(anchor_at=None)
                | Q(started_at=None)
                | Q(spacing_deviation__isnull=False)
                | Q(
                    started_at__gte=F("anchor_at") + F("rule_earliest"),
                    started_at__lte=F("anchor_at") + F("rule_latest"),
                ),
                name="visit_spacing_kept",
            ),
            # Without a limit, or without what it counts from, the rule above would hold by itself.
            models.CheckConstraint(
                condition=Q(anchor_at=None)
                | Q(rule_earliest__isnull=False, rule_latest__isnull=False),
                name="visit_rule_whole",
            ),
            models.CheckConstraint(
                condition=Q(anchor=None)
                | Q(started_at=None)
                | Q(anchor_at__isnull=False)
                | Q(spacing_deviation__isnull=False),
                name="visit_spacing_judged",
            ),
            models.CheckConstraint(
                condition=Q(number=1) | Q(anchor__isnull=False), name="visit_counts_from_another"
            ),
            ExclusionConstraint(
                name="visit_person_free",
                expressions=[
                    ("person", RangeOperators.EQUAL),
                    ("planned", RangeOperators.OVERLAPS),
                ],
                condition=Q(state__in=["booked", "running", "done", "stopped"]),
            ),
        ]
        indexes = [
            models.Index(fields=["participant", "number"], name="visit_by_participant"),
            models.Index(fields=["started_at"], name="visit_by_start"),
            models.Index(
                fields=["participant"], condition=Q(state="running"), name="visit_running"
            ),
            GistIndex(fields=["planned"], name="visit_by_plan"),
        ]
        triggers = [
            *never_deleted(),
            guard(
                "visit_of_own_person",
                operation=pgtrigger.Insert
                | pgtrigger.UpdateOf("series_id", "participant_id", "person_id", "anchor_id"),
                check="""EXISTS (
                    SELECT 1 FROM scheduling_series s
                    JOIN participants_participant p ON p.id = s.participant_id
                    WHERE s.id = NEW.series_id AND p.id = NEW.participant_id
                      AND p.person_id = NEW.person_id
                      AND (NEW.anchor_id IS NULL OR EXISTS (
                          SELECT 1 FROM scheduling_visit a
                          WHERE a.id = NEW.anchor_id AND a.series_id = NEW.series_id))
                )""",
                sentence="Visits of one series belong to one volunteer, who is one person.",
            ),
            pgtrigger.Trigger(
                name="revision_counts",
                operation=pgtrigger.Update,
                when=pgtrigger.Before,
                func="""
                    NEW.revision := OLD.revision + CASE WHEN NEW.planned <> OLD.planned
                        OR (NEW.state = 'cancelled') <> (OLD.state = 'cancelled') THEN 1 ELSE 0 END;
                    RETURN NEW;
                """,
            ),
            pgtrigger.Trigger(
                name="spacing_planned",
                operation=pgtrigger.Insert
                | pgtrigger.UpdateOf("planned", "anchor_id", "gap_earliest", "gap_latest",
                                     "spacing_deviation_id", "state"),
                when=pgtrigger.After,
                # At the end of the transaction, so that the visits of a series can be moved together.
                timing=pgtrigger.Deferred,
                func="""
                    IF EXISTS (
                        SELECT 1 FROM scheduling_visit v JOIN scheduling_visit a ON a.id = v.anchor_id
                        WHERE (v.id = NEW.id OR v.anchor_id = NEW.id)
                          AND v.state IN ('booked', 'running', 'done')
                          AND a.state IN ('booked', 'running', 'done')
                          AND v.spacing_deviation_id IS NULL
                          AND lower(v.planned) - lower(a.planned)
                              NOT BETWEEN v.gap_earliest AND v.gap_latest
                    ) THEN
                        RAISE EXCEPTION USING
                            MESSAGE = 'The visits would lie outside the spacing of the protocol.',
                            ERRCODE = 'check_violation', CONSTRAINT = 'SL001_spacing_planned';
                    END IF;
                    RETURN NULL;
                """,
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"visit {self.number}"


class Booking(models.Model):
    """One place occupied by a visit. `blocked` is `during` plus the turnaround of the place."""

    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, related_name="bookings")
    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="bookings")
    segments = ArrayField(models.CharField(max_length=40))
    during = DateTimeRangeField()
    blocked = DateTimeRangeField()
    is_active = models.BooleanField(default=True)

    class Meta:
        constraints = [
            bounded("during", "booking_during_bounded"),
            bounded("blocked", "booking_blocked_bounded"),
            models.CheckConstraint(
                condition=Q(blocked__contains=F("during")), name="booking_blocks_its_time"
            ),
            ExclusionConstraint(
                name="booking_place_free",
                expressions=[("place", RangeOperators.EQUAL), ("blocked", RangeOperators.OVERLAPS)],
                condition=Q(is_active=True),
            ),
        ]
        triggers = [
            *never_deleted(),
            guard(
                "kept_away",
                operation=pgtrigger.Insert
                | pgtrigger.UpdateOf("place_id", "visit_id", "is_active"),
                check="""NOT NEW.is_active OR NOT EXISTS (
                    SELECT 1 FROM scheduling_visit v
                    JOIN scheduling_place p ON p.id = NEW.place_id
                    JOIN scheduling_resource r ON r.id = p.resource_id
                    JOIN screening_staffdecision d
                      ON d.participant_id = v.participant_id AND d.user_id = r.user_id
                    WHERE v.id = NEW.visit_id AND d.kept_away AND NOT EXISTS (
                        SELECT 1 FROM screening_staffdecision l
                        WHERE l.participant_id = d.participant_id AND l.user_id = d.user_id
                          AND l.id > d.id)
                )""",
                sentence="This person is kept away from the visits of this volunteer. Choose somebody else.",
            ),
        ]

    def __str__(self) -> str:
        return f"place {self.place_id}, {self.during}"


explain(
    {
        "series_one_per_person": (Conflict, "A series is booked for this volunteer already."),
        "series_ends_when_cancelled": (Refused, "Only a cancelled series ends the path."),
        "series_cancel_has_reason": (Refused, "Say why the series is cancelled."),
        "visit_planned_bounded": (Refused, "A visit needs a start and a later end."),
        "visit_spacing_kept": (
            Refused,
            "The visit lies outside the spacing of the protocol and no deviation is on record.",
        ),
        "visit_spacing_judged": (
            Refused,
            "What the spacing counts from is not known, and no deviation is on record.",
        ),
        "visit_person_free": (Conflict, "The volunteer is in another visit at that time."),
        "booking_place_free": (
            Conflict,
            "Somebody else booked one of these places just now. Choose again from the fresh times.",
        ),
    }
)
