"""Consent: whose act, when it was given, when it was recorded."""

import pgtrigger
from django.db import models
from django.db.models import F, Q

from studylab.audit.history import append_only, corrections, guard
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models.person import Participant
from studylab.people.models import User


class Consent(models.Model):
    """One consent, or a correction of one. Rows are added, never changed.

    `signed_at` is when the volunteer gave it, `recorded_at` when the server took it down; both are kept and
    a gap is shown. The first kind, "questions", is the agreement to be asked health questions before
    the full consent; "study" is the informed consent to the study itself.
    """

    class Kind(models.TextChoices):
        QUESTIONS = "questions", "agreement to health questions"
        STUDY = "study", "informed consent to the study"

    class Method(models.TextChoices):
        PAPER = "paper", "on paper"
        SCREEN = "screen", "on this screen, by the volunteer"
        SPOKEN = "spoken", "spoken (questions only)"
        LINK = "link", "by the volunteer alone, through a personal link (questions only)"

    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="consents")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    version = models.CharField(max_length=20)
    method = models.CharField(max_length=10, choices=Method.choices)
    signed_at = models.DateTimeField()
    written_on = models.DateField(null=True)  # the date the volunteer wrote on paper, as written
    staff_signed_at = models.DateTimeField(null=True)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, related_name="superseded_by"
    )
    reason = models.CharField(max_length=300, blank=True)

    class Meta:
        indexes = [corrections("consent_corrections")]
        constraints = [
            models.CheckConstraint(
                condition=Q(signed_at__lte=F("recorded_at")), name="consent_not_in_future"
            ),
            models.CheckConstraint(
                condition=Q(supersedes=None) | ~Q(reason=""), name="consent_correction_has_reason"
            ),
            models.CheckConstraint(
                condition=Q(kind__in=["questions", "study"]), name="consent_kind_known"
            ),
            models.CheckConstraint(
                condition=Q(kind="questions") | ~Q(method="spoken"), name="consent_study_not_spoken"
            ),
            models.CheckConstraint(
                condition=Q(kind="questions") | ~Q(method="link"), name="consent_study_not_by_link"
            ),
            # The volunteer's own act: nobody on the staff records it, and no time but the server's is in it.
            models.CheckConstraint(
                condition=~Q(method="link")
                | Q(
                    recorded_by=None,
                    signed_at=F("recorded_at"),
                    written_on=None,
                    staff_signed_at=None,
                ),
                name="consent_link_own_act",
            ),
            # A second first entry would be a way to date a consent back without a correction.
            models.UniqueConstraint(
                fields=["participant", "kind", "version"],
                condition=Q(supersedes=None),
                name="consent_once_per_version",
            ),
        ]
        triggers = [
            *append_only(),
            guard(
                "corrects_own",
                operation=pgtrigger.Insert,
                check="""NEW.supersedes_id IS NULL OR EXISTS (
                    SELECT 1 FROM participants_consent o
                    WHERE o.id = NEW.supersedes_id AND o.participant_id = NEW.participant_id
                      AND o.kind = NEW.kind AND o.recorded_at <= NEW.recorded_at
                )""",
                sentence="A correction stands in for an earlier entry of the same consent and volunteer only.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, version {self.version}"


def consent_first(column: str, kinds: tuple[str, ...] = ("study",)) -> pgtrigger.Trigger:
    """Return the guard for a table with `participant_id`: nothing before a consent that is earlier.

    `column` holds when the thing happened. Used by every table that records something on a person.
    """
    wanted = ", ".join(f"'{kind}'" for kind in kinds)
    return guard(
        "consent_first",
        operation=pgtrigger.Insert,
        # Column and kinds are written in our own models, never by anybody outside.
        check=f"""EXISTS (
            SELECT 1 FROM participants_consent c
            WHERE c.participant_id = NEW.participant_id AND c.kind IN ({wanted})
              AND c.signed_at < NEW.{column}
              AND NOT EXISTS (SELECT 1 FROM participants_consent s WHERE s.supersedes_id = c.id)
        )""",  # noqa: S608
        sentence="There is no consent that was given before this. Record the consent first; "
        "what was done before it is a deviation.",
    )


explain(
    {
        "consent_not_in_future": (
            Refused,
            "The consent was signed later than now. Check date and time.",
        ),
        "consent_correction_has_reason": (Refused, "Say why the consent is corrected."),
        "consent_once_per_version": (
            Conflict,
            "This consent is on record already. If something in it is wrong, correct that entry.",
        ),
        "consent_study_not_by_link": (
            Refused,
            "Consent to the study is given in writing, not by link.",
        ),
        "consent_link_own_act": (
            Refused,
            "Only the volunteer agrees through a personal link, and the time is the server's.",
        ),
        "consent_study_not_spoken": (Refused, "Consent to the study is given in writing."),
        "participants_consent_supersedes_id_key": (
            Conflict,
            "This consent was corrected already. Look at the newest entry.",
        ),
    }
)
