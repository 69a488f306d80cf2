"""Takes one invented volunteer along the path, through the same services as the people of the lab."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime, timedelta
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

from scheduling.models import Series
from scheduling.selectors.options import Wishes, series_options
from scheduling.services.booking import series_book
from scheduling.services.talks import read_back_talk
from scheduling.services.waiting import waiting_add
from screening.models import AnswerSet
from screening.selectors.answers import newest_answers
from screening.selectors.inputs import table_of
from screening.selectors.sign_off import newest_assessment, sign_off_state
from screening.selectors.vitals import newest_vitals
from screening.services.answers import answers_record
from screening.services.numbers import number_issue
from screening.services.sign_off import sign_off_give
from screening.services.vitals import vitals_record
from studylab import clock
from studylab.management.demo.cast import PASSWORD, birth_date_of, volunteer_name
from studylab.management.demo.checks import how_taken, record_checks, rest_from
from studylab.management.demo.lab import Lab
from studylab.management.demo.steps import healthy_answers, readings
from studylab.participants.models import Participant
from studylab.participants.rules.details import ContactDetails
from studylab.participants.services import consent_record, participant_add
from studylab.studies.selectors import current_protocol

Values = tuple[int, int, int]
USUAL: Values = (116, 74, 68)


class Walker:
    """One volunteer. Every method says when it happens; the clock is set to that moment."""

    def __init__(
        self, lab: Lab, index: int, at: datetime, *, agreed: bool = True, language: str = ""
    ) -> None:
        """Add the volunteer; without `agreed` nothing but the contact details is known."""
        self.lab, self.index = lab, index
        self.dice = Random(f"harbour {index}")  # noqa: S311 (invented values, nothing secret)
        self.girth = 25 + index * 5 % 8  # cm, around the upper arm
        self.zone = ZoneInfo(lab.study.timezone)
        given, family = volunteer_name(index)
        details = ContactDetails(
            family_name=family,
            given_names=given,
            birth_date=birth_date_of(index, at.date()),
            email=f"{given}.{family}@mail.example".lower(),
            phone=f"+1 902 555 {1000 + index:04d}",
            emergency_name="A friend",
            emergency_phone=f"+1 902 555 {6000 + index:04d}",
        )
        with clock.travel(at):
            self.participant: Participant = participant_add(
                study=lab.study,
                details=details,
                agreed_at=at - timedelta(minutes=4) if agreed else None,
                agreed_method="spoken" if agreed else "",
                language=language,
                heard_from=self.dice.choice(("poster", "a friend", "notice board", "web page")),
                actor=lab.actor("coordinator"),
            )

    def answers(
        self,
        at: datetime,
        *,
        changed: Mapping[str, Any] | None = None,
        medicines: list[dict[str, Any]] | None = None,
        left_out: frozenset[str] = frozenset(),
    ) -> "Walker":
        """Answer the questionnaire, healthy but for `changed`; the same answers again are a change."""
        height = 160 + self.index * 7 % 30
        with clock.travel(at):
            rows = table_of(current_protocol(self.lab.study)).asked("screening")
            standing = newest_answers(self.participant, AnswerSet.When.SCREENING)
            answers_record(
                participant=self.participant,
                when=AnswerSet.When.SCREENING,
                answers=healthy_answers(rows, changed or {}, left_out),
                medicines=medicines or [],
                no_medicines=not medicines,
                height_cm=float(height),
                weight_kg=round((20.5 + self.index % 5) * (height / 100) ** 2, 1),
                source=AnswerSet.Source.STAFF,
                given_at=at - timedelta(minutes=1),
                supersedes=standing,
                reason="Corrected on the phone by the volunteer." if standing else "",
                actor=self.lab.actor("coordinator"),
            )
        return self

    def consent(self, at: datetime) -> "Walker":
        """Sign the consent on paper; recorded some minutes later."""
        with clock.travel(at + timedelta(minutes=6)):
            consent_record(
                participant=self.participant,
                kind="study",
                version=current_protocol(self.lab.study).plan.consent_version,
                method="paper",
                signed_at=at,
                written_on=at.astimezone(self.zone).date(),
                staff_signed_at=at + timedelta(minutes=3),
                actor=self.lab.actor("coordinator"),
            )
        return self

    def vitals(self, at: datetime, values: Values = USUAL) -> "Walker":
        """Have the screening vitals and the checks beside them taken by an experimenter."""
        experimenter = self.lab.actor("experimenter")
        first = newest_vitals(self.participant, "screening") is None
        began = at - timedelta(seconds=310)
        rest = rest_from(self.participant, "screening", None, began, experimenter)
        with clock.travel(at + timedelta(minutes=4)):
            vitals_record(
                participant=self.participant,
                gate="screening",
                visit_uid=None,
                rest_seconds=310,
                arm="left",
                cuff="standard adult",
                device="Monitor 2",
                readings=readings(at, *values, self.dice),
                symptoms=[],
                posture="seated",
                how=replace(
                    how_taken(*values, self.dice, girth=self.girth, both_arms=first), rest=rest
                ),
                reason="" if first else "Asked for on another day: the first set was outside.",
                actor=experimenter,
            )
        if first:
            after = at + timedelta(minutes=13)
            record_checks(self.participant, "screening", None, after, experimenter)
        return self

    def sign(self, at: datetime, decision: str = "eligible", reason: str = "") -> "Walker":
        """Be signed off by the clinician, each flagged item decided."""
        with clock.travel(at):
            assessment = newest_assessment(self.participant, "screening")
            assert assessment is not None
            items = [
                {
                    "rule_id": finding["rule_id"],
                    "decision": "accept",
                    "reason": "Asked about it; mild, and no reason against a single dose.",
                }
                for finding in assessment.findings
                if finding["disposition"] == "physician"
            ]
            sign_off_give(
                participant=self.participant,
                assessment=assessment,
                decision=decision,
                item_decisions=items if decision == "eligible" else [],
                personal_limits=None,
                reason=reason,
                password=PASSWORD,
                actor=self.lab.actor("clinician"),
            )
        return self

    def screened(self, at: datetime, values: Values = USUAL) -> "Walker":
        """Go from answers to an eligible signature within two days of `at`."""
        self.answers(at).consent(at + timedelta(hours=20))
        self.vitals(at + timedelta(hours=20, minutes=20), values)
        return self.sign(at + timedelta(hours=26))

    def book(self, at: datetime, start: datetime, *, number: bool = True) -> Series:
        """Book the series that begins exactly at `start`, and take a number."""
        local = start.astimezone(self.zone)
        first: date = local.date()
        with clock.travel(at):
            state = sign_off_state(self.participant, at)
            assert state.sign_off is not None, state
            found = series_options(
                participant=self.participant,
                version=current_protocol(self.lab.study).version,
                wishes=Wishes(
                    first_day=first, last_day=first + timedelta(days=2), not_earlier=local.time()
                ),
                now=at,
                dose_before=state.sign_off.valid_until,
                limit=40,
            )
            option = next((o for o in found.options if o.visits[0].start == start), None)
            if option is None:
                raise RuntimeError(f"No series at {local:%a %d %b %H:%M}: {found.why_none}")
            series = series_book(
                participant=self.participant, option=option, actor=self.lab.actor("coordinator")
            )
        with clock.travel(at + timedelta(minutes=5)):
            if number:
                number_issue(participant=self.participant, actor=self.lab.actor("coordinator"))
                read_back_talk(
                    series=series, said=[1, 2, 3], note="", actor=self.lab.actor("coordinator")
                )
        self.participant.refresh_from_db()
        return series

    def waits(self, at: datetime, note: str) -> "Walker":
        """Go on the waiting list."""
        with clock.travel(at):
            waiting_add(
                participant=self.participant, first_day=None, last_day=None, note=note,
                actor=self.lab.actor("coordinator"),
            )  # fmt: skip
        return self
