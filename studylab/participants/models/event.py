"""Adverse events: one row for the event, and entries that are added, never changed."""

import uuid

import pgtrigger
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q

from studylab.audit.history import append_only, corrections, fits, guard, never_deleted
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models.consent import consent_first
from studylab.participants.models.hold import Hold
from studylab.participants.models.person import Participant
from studylab.people.models import Signature, User
from studylab.studies.models import Study


class AdverseEvent(models.Model):
    """One event of one person. What it is stands in its entries; this row says whether it is closed."""

    class Source(models.TextChoices):
        SHEET = "sheet", "run sheet"
        CONTACT = "contact", "contact after the dose"
        PHONE = "phone", "phone call"
        OWN_PAGE = "own_page", "volunteer's own page"
        LATER = "later", "remembered later"
        OTHER = "other", "another way"

    class State(models.TextChoices):
        OPEN = "open", "open"
        CLOSED = "closed", "closed"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="events")
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="events")
    number = models.PositiveSmallIntegerField()  # counts the events of this person
    source = models.CharField(max_length=10, choices=Source.choices)
    hold = models.ForeignKey(Hold, on_delete=models.PROTECT, null=True, related_name="events")
    aware_at = models.DateTimeField()  # when anybody of the study first heard of it
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    state = models.CharField(max_length=10, choices=State.choices, default=State.OPEN)
    closed_at = models.DateTimeField(null=True)
    closing = models.ForeignKey(Signature, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["participant", "number"], name="event_number_once"),
            models.CheckConstraint(
                condition=Q(state="open", closing=None, closed_at=None)
                | Q(state="closed", closing__isnull=False, closed_at__isnull=False),
                name="event_closed_by_signature",
            ),
            models.CheckConstraint(
                condition=Q(aware_at__lte=F("recorded_at")), name="event_not_in_future"
            ),
        ]
        triggers = [
            *never_deleted(),
            consent_first("aware_at", ("questions", "study")),
            fits(
                "event_of_own_study", column="participant_id", table="participants_participant",
                same=("study_id",), sentence="The volunteer takes part in another study.",
            ),
            fits(
                "event_of_own_hold", column="hold_id", table="participants_hold",
                same=("participant_id",), sentence="The hold is another volunteer's.",
            ),
            guard(
                "event_stays_whose_it_is",
                operation=pgtrigger.Update,
                check="(OLD.participant_id, OLD.study_id, OLD.number, OLD.aware_at, OLD.recorded_at) = "
                "(NEW.participant_id, NEW.study_id, NEW.number, NEW.aware_at, NEW.recorded_at)",
                sentence="Whose event it is and when it was heard of stay. Add an entry to it.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"event {self.number} of {self.participant.code}"


class EventEntry(models.Model):
    """Everything known of an event from `aware_at` on. The newest entry counts; `note` says what is new or why.

    `criteria` make it serious; `expected` is what the study document's list said, unless a clinician found it
    worse than the list says (`beyond_list`).
    """

    class Why(models.TextChoices):
        FIRST = "first", "first entry"
        FOLLOW_UP = "follow_up", "follow-up"
        CORRECTION = "correction", "correction"
        JUDGEMENT = "judgement", "clinician's judgement"

    event = models.ForeignKey(AdverseEvent, on_delete=models.PROTECT, related_name="entries")
    why = models.CharField(max_length=10, choices=Why.choices)
    what = models.TextField()
    term = models.CharField(max_length=80)
    started_at = models.DateTimeField(null=True)
    started_known = models.CharField(max_length=10)
    ended_at = models.DateTimeField(null=True)
    ended_known = models.CharField(max_length=10)
    aware_at = models.DateTimeField()
    grade = models.PositiveSmallIntegerField()
    criteria = ArrayField(models.CharField(max_length=20), default=list)
    after_dose = models.BooleanField()
    expected = models.BooleanField()
    beyond_list = models.BooleanField(default=False)
    always_report = models.BooleanField(default=False)
    relation = models.CharField(max_length=15, blank=True)
    sponsor_relation = models.CharField(max_length=15, blank=True)
    relation_why = models.TextField(blank=True)
    judged_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    action = models.TextField()
    outcome = models.CharField(max_length=15)
    care_at = models.DateTimeField(null=True)
    care_where = models.CharField(max_length=200, blank=True)
    in_error = models.BooleanField(default=False)  # it never was: counts nowhere, stays on record
    note = models.TextField(blank=True)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, related_name="superseded_by"
    )

    class Meta:
        indexes = [corrections("event_entry_corrections")]
        constraints = [
            models.CheckConstraint(condition=Q(grade__gte=1, grade__lte=5), name="event_grade"),
            models.CheckConstraint(
                condition=Q(grade__lt=4) | Q(criteria__len__gt=0), name="event_grave_is_serious"
            ),
            models.CheckConstraint(
                condition=Q(grade=5, outcome="fatal", criteria__contains=["death"])
                | (~Q(grade=5) & ~Q(outcome="fatal") & ~Q(criteria__contains=["death"])),
                name="event_death_fits",
            ),
            models.CheckConstraint(
                condition=Q(aware_at__lte=F("recorded_at")), name="event_entry_not_in_future"
            ),
            models.CheckConstraint(
                condition=Q(ended_at=None) | Q(started_at=None) | Q(ended_at__gte=F("started_at")),
                name="event_ends_after_start",
            ),
            models.CheckConstraint(
                condition=Q(relation="") | Q(judged_by__isnull=False), name="event_relation_judged"
            ),
            models.CheckConstraint(
                condition=Q(why="first", supersedes=None)
                | (~Q(why="first") & Q(supersedes__isnull=False) & ~Q(note="")),
                name="event_entry_says_why",
            ),
            models.UniqueConstraint(
                fields=["event"], condition=Q(supersedes=None), name="event_one_first_entry"
            ),
        ]
        triggers = [
            *append_only(),
            fits(
                "event_entry_follows_own", column="supersedes_id", table="participants_evententry",
                same=("event_id",), sentence="An entry follows an entry of the same event only.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return self.term

    @property
    def serious(self) -> bool:
        """Whether a criterion of seriousness is met."""
        return bool(self.criteria)


class EventReading(models.Model):
    """A clinician opened an entry and said so."""

    entry = models.ForeignKey(EventEntry, on_delete=models.PROTECT, related_name="readings")
    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["entry", "by"], name="event_read_once"),
        ]
        triggers = append_only()


explain(
    {
        "event_number_once": (Conflict, "Somebody else recorded an event meanwhile. Try again."),
        "event_closed_by_signature": (Refused, "An event is closed by a signature."),
        "event_grade": (Refused, "A grade is a number from 1 to 5."),
        "event_grave_is_serious": (
            Refused,
            "Grade 4 or 5 is always serious. Say by which criterion.",
        ),
        "event_death_fits": (
            Refused,
            "Grade 5, the outcome “fatal” and the criterion “death” go together.",
        ),
        "event_relation_judged": (Refused, "Only a clinician judges what caused an event."),
        "event_entry_says_why": (Refused, "Say what is new, or why the entry is corrected."),
        "event_read_once": (Conflict, "You have marked this entry as read already."),
        "participants_evententry_supersedes_id_key": (
            Conflict,
            "Somebody else added an entry to this event meanwhile. Look at it and try again.",
        ),
    }
)
