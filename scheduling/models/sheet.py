"""The run sheet: steps, doses, and the contact after dosing. Rows are added, never changed."""

import uuid
from datetime import timedelta

import pgtrigger
from django.db import models
from django.db.models import F, Q

from scheduling.models.series import Visit
from studylab.allocation.models import Kit
from studylab.audit.history import append_only, corrections, fits, guard
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models import Deviation, Participant
from studylab.participants.models.consent import consent_first
from studylab.people.models import User

# How long ago the dose may have been given when it is recorded, unless a deviation says why it was later.
BACK_AT_MOST = timedelta(minutes=10)


class StepRecord(models.Model):
    """One step done, or a correction of one. `value` is {"value": ...} shaped by the step's kind.

    `client_id` is the tablet's own id of the act: sent twice, it is taken once, and `content` (SHA-256 of what was
    entered) says whether it is the same act. The server's times rule. The tablet's own are kept beside them:
    `device_at` of the act, `sent_at` of the sending, `device_offset` the server's clock minus the tablet's. Where
    nobody can say how wrong the tablet's clock was, the time is uncertain. `device` is the name that the lab's tablet had
    then; empty for any other browser.
    """

    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, related_name="step_records")
    participant = models.ForeignKey(
        Participant, on_delete=models.PROTECT, related_name="step_records"
    )
    step = models.CharField(max_length=60)
    value = models.JSONField()
    skipped = models.BooleanField(default=False)
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    client_id = models.UUIDField(unique=True, default=uuid.uuid4)
    content = models.CharField(max_length=64, blank=True, db_default="")
    device = models.CharField(max_length=60, blank=True, db_default="")
    device_at = models.DateTimeField(null=True)
    sent_at = models.DateTimeField(null=True)
    device_offset = models.DurationField(null=True)
    time_uncertain = models.BooleanField(db_default=False)
    deviation = models.ForeignKey(Deviation, on_delete=models.PROTECT, null=True, related_name="+")
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, related_name="superseded_by"
    )
    reason = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(occurred_at__lte=F("recorded_at")), name="step_not_in_future"
            ),
            models.CheckConstraint(
                condition=Q(supersedes=None) | ~Q(reason=""), name="step_correction_has_reason"
            ),
            models.UniqueConstraint(
                fields=["visit", "step"], condition=Q(supersedes=None), name="step_once"
            ),
            models.CheckConstraint(
                condition=Q(sent_at=None, device_offset=None, time_uncertain=False)
                | Q(device_at__isnull=False, sent_at__isnull=False, device_offset__isnull=False),
                name="step_tablet_times_whole",
            ),
        ]
        indexes = [
            corrections("step_corrections"),
            models.Index(fields=["step", "occurred_at"], name="step_by_moment"),
        ]
        triggers = [
            *append_only(),
            consent_first("occurred_at"),
            fits(
                "step_of_own_visit", column="visit_id", table="scheduling_visit",
                same=("participant_id",), sentence="The visit is another volunteer's.",
            ),
            fits(
                "step_corrects_own", column="supersedes_id", table="scheduling_steprecord",
                same=("visit_id", "step"),
                sentence="A correction stands in for a record of the same step and visit only.",
            ),
        ]  # fmt: skip


class Dose(models.Model):
    """One administration, or a correction of its record. `wait` is the protocol's wait at the time.

    `gate` keeps what the dose gate saw. The ceiling is the house's own: one administration a series, and
    never more than 40 mg.
    """

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, related_name="doses")
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="doses")
    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="doses")
    count = models.PositiveSmallIntegerField()
    strength_mg = models.DecimalField(max_digits=6, decimal_places=2)
    given_at = models.DateTimeField()
    wait = models.DurationField()
    recorded_at = models.DateTimeField()
    given_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    checked_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    mouth_checked = models.BooleanField()
    gate = models.JSONField()
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, related_name="superseded_by"
    )
    reason = models.CharField(max_length=300, blank=True)
    # Set when a capsule was swallowed past the gate, or long before it was recorded: what happened stays true.
    deviation = models.ForeignKey(
        Deviation, on_delete=models.PROTECT, null=True, related_name="doses"
    )

    class Meta:
        indexes = [corrections("dose_corrections")]
        constraints = [
            models.UniqueConstraint(
                fields=["participant"], condition=Q(supersedes=None), name="dose_once"
            ),
            models.CheckConstraint(
                condition=Q(given_at__gte=F("recorded_at") - BACK_AT_MOST)
                | Q(deviation__isnull=False)
                | Q(supersedes__isnull=False),
                name="dose_recorded_at_once",
            ),
            models.CheckConstraint(
                condition=Q(count__gt=0, strength_mg__gt=0), name="dose_positive"
            ),
            models.CheckConstraint(condition=~Q(checked_by=F("given_by")), name="dose_two_people"),
            models.CheckConstraint(
                condition=Q(given_at__lte=F("recorded_at")), name="dose_not_in_future"
            ),
            models.CheckConstraint(
                condition=Q(supersedes=None) | ~Q(reason=""), name="dose_correction_has_reason"
            ),
        ]
        triggers = [
            *append_only(),
            consent_first("given_at"),
            fits(
                "dose_of_own_visit", column="visit_id", table="scheduling_visit",
                same=("participant_id",), sentence="The visit is another volunteer's.",
            ),
            # Or a correction of one person's dose would be a way around what guards another one's.
            fits(
                "dose_corrects_own", column="supersedes_id", table="scheduling_dose",
                same=("participant_id", "visit_id", "kit_id", "count", "strength_mg"),
                sentence="A correction stands in for the record of the same dose only.",
            ),
            fits(
                "dose_deviates_own", column="deviation_id", table="participants_deviation",
                same=("participant_id",), sentence="The deviation is about somebody else.",
            ),
            guard(
                "dose_ceiling",
                operation=pgtrigger.Insert,
                check="NEW.count * NEW.strength_mg <= 40",
                sentence="More than 40 mg cannot be given in this house.",
            ),
            guard(
                "dose_of_own_kit",
                operation=pgtrigger.Insert,
                check="""NEW.supersedes_id IS NOT NULL OR EXISTS (
                    SELECT 1 FROM allocation_kit k JOIN allocation_listentry e ON e.id = k.entry_id
                    WHERE k.id = NEW.kit_id AND e.participant_id = NEW.participant_id
                      AND k.state IN ('dispensed', 'given')
                )""",
                sentence="The kit was not handed out for this volunteer.",
            ),
            guard(
                "first_dose_supervised",
                operation=pgtrigger.Insert,
                check="""NEW.supersedes_id IS NOT NULL OR NEW.deviation_id IS NOT NULL
                    OR EXISTS (SELECT 1 FROM scheduling_dose d
                        WHERE d.given_by_id IN (NEW.given_by_id, NEW.checked_by_id))
                    OR EXISTS (SELECT 1 FROM people_membership m
                        JOIN participants_participant p ON p.study_id = m.study_id
                        WHERE p.id = NEW.participant_id AND m.user_id = NEW.checked_by_id
                          AND m.role = 'clinician')""",
                sentence="Somebody's first dose is supervised by a clinician, or by somebody who has given one.",
            ),
            guard(
                "dose_not_on_hold",
                operation=pgtrigger.Insert,
                check="""NEW.supersedes_id IS NOT NULL OR NEW.deviation_id IS NOT NULL OR NOT EXISTS (
                    SELECT 1 FROM participants_hold h
                    WHERE h.participant_id = NEW.participant_id AND h.released_at IS NULL
                )""",
                sentence="The volunteer is on hold. A clinician releases the hold first.",
            ),
            guard(
                "dose_not_paused",
                operation=pgtrigger.Insert,
                check="""NEW.supersedes_id IS NOT NULL OR NEW.deviation_id IS NOT NULL OR NOT EXISTS (
                    SELECT 1 FROM participants_dosingpause p
                    JOIN participants_participant m ON m.study_id = p.study_id
                    WHERE m.id = NEW.participant_id AND p.lifted_at IS NULL
                      AND (p.kind = 'rule' OR COALESCE((
                        SELECT c.counts_until FROM participants_carestatus c
                        WHERE c.event_id = p.event_id AND c.recorded_at >= p.opened_at
                        ORDER BY c.obtained_at DESC, c.id DESC LIMIT 1
                      ), '-infinity') <= NEW.given_at)
                )""",
                sentence="Dosing is paused in this study. The Safety page says why.",
            ),
        ]  # fmt: skip


class AfterContact(models.Model):
    """One attempt to reach a dosed person afterwards. "Not reached" never means "no symptoms"."""

    dose = models.ForeignKey(Dose, on_delete=models.PROTECT, related_name="contacts")
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="contacts")
    at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    reached = models.BooleanField()
    symptoms = models.BooleanField(null=True)
    answers = models.JSONField(default=dict)
    note = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(reached=True, symptoms__isnull=False) | Q(reached=False, symptoms=None),
                name="contact_answers_when_reached",
            ),
            models.CheckConstraint(
                condition=Q(at__lte=F("recorded_at")), name="contact_not_in_future"
            ),
        ]
        triggers = [
            *append_only(),
            consent_first("at"),
            fits(
                "contact_of_own_dose", column="dose_id", table="scheduling_dose",
                same=("participant_id",), sentence="The dose is another volunteer's.",
            ),
        ]  # fmt: skip


explain(
    {
        "step_once": (Conflict, "Somebody else recorded this step already. Look at the run sheet."),
        "step_not_in_future": (Refused, "The step happened later than now. Check the time."),
        "step_correction_has_reason": (Refused, "Say why the step is corrected."),
        "step_tablet_times_whole": (
            Refused,
            "The tablet's times are not whole: of the act, of the sending, and the difference.",
        ),
        "dose_once": (
            Conflict,
            "A dose is on record for this volunteer already. Never give a second one.",
        ),
        "dose_two_people": (Refused, "The second person must be somebody else."),
        "dose_not_in_future": (Refused, "The dose was given later than now. Check the time."),
        "dose_recorded_at_once": (
            Refused,
            "A dose given more than 10 minutes ago is recorded with the reason why it was not recorded at once.",
        ),
        "contact_answers_when_reached": (
            Refused,
            "Say whether there were symptoms when the volunteer was reached, and nothing when not.",
        ),
        "scheduling_steprecord_client_id_key": (
            Conflict,
            "This entry was sent already for another visit. Reload the page and enter it again.",
        ),
        "scheduling_dose_supersedes_id_key": (Conflict, "This dose was corrected meanwhile."),
        "scheduling_steprecord_supersedes_id_key": (Conflict, "This step was corrected meanwhile."),
    }
)
