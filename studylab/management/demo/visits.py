"""Visits of invented volunteers, step by step, as far as the story wants."""

from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from uuid import uuid4

from scheduling.models import Dose, Visit
from scheduling.selectors.presence import rescue_check_today
from scheduling.selectors.things import things_now
from scheduling.services.contacts import contact_record
from scheduling.services.cover import cover_check_in, cover_confirm
from scheduling.services.doses import dose_give
from scheduling.services.leave import leave_check
from scheduling.services.presence import rescue_check_record, staying_record
from scheduling.services.steps import step_record
from scheduling.services.visits import visit_finish, visit_start
from scheduling.services.wallet import wallet_card_handed
from screening.models import AnswerSet
from screening.rules.table import load_table
from screening.selectors.vitals import newest_vitals
from screening.services.answers import answers_record
from screening.services.vitals import vitals_record
from studylab import clock
from studylab.allocation.services import guess_record, kit_dispense, kit_prepare
from studylab.management.demo.cast import PASSWORD, STAFF, Staff
from studylab.management.demo.checks import how_taken, record_checks, rest_from
from studylab.management.demo.steps import healthy_answers, readings, value_for
from studylab.management.demo.walker import Values, Walker
from studylab.studies.rules.protocol import Step
from studylab.studies.selectors import current_protocol

PRE: Values = (115, 73, 66)
POST: Values = (108, 68, 60)
# When each step of the dosing visit happens, in minutes after the visit's start; the rest follow each other.
DOSING_MINUTES = {
    "identity": 4, "today": 8, "pre_dose": 22, "reminder": 40, "reminder_answer": 43, "dose": 50,
    "settled": 54, "pulse_30": 80, "pulse_60": 111, "post_dose": 141, "pulse_120": 171, "pulse_180": 231,
    "meal": 240, "leave_vitals": 291, "leave": 297, "note": 299,
}  # fmt: skip


class VisitWalk:
    """One visit of one volunteer, run by one experimenter."""

    def __init__(self, walker: Walker, visit: Visit, by: str = "experimenter") -> None:
        self.walker, self.visit, self.by = walker, visit, by
        self.lab = walker.lab
        self.plan = current_protocol(self.lab.study).plan
        self.start: datetime = visit.planned.lower

    def begin(self, late_minutes: int = 0) -> "VisitWalk":
        """Start the visit, so many minutes late."""
        self.start += timedelta(minutes=late_minutes)
        with clock.travel(self.start):
            self.visit = visit_start(visit=self.visit, actor=self.lab.actor(self.by))
        return self

    def run(self, until: datetime, *, pre: Values = PRE, post: Values = POST) -> "VisitWalk":
        """Work through the steps that come before `until`, and finish the visit when that was all."""
        steps = self.plan.visit(self.visit.number).steps
        for position, step in enumerate(steps):
            at = self.start + timedelta(minutes=self._minute(step, position))
            if at > until:
                return self
            self._do(step, at, pre if step.gate == "pre_dose" else post)
        end = self.start + timedelta(minutes=self._minute(steps[-1], len(steps)) + 2)
        if end <= until:
            with clock.travel(end):
                visit_finish(visit=self.visit, actor=self.lab.actor(self.by))
                left = len(self.plan.visits) - self.visit.number
                if left < 2:
                    self._guesses("before" if left else "after")
        return self

    def _guesses(self, stage: str) -> None:
        """Before and after the last visit volunteer and experimenter say what they believe, whatever it was."""
        person = self.visit.participant
        for turn, teller in enumerate(("volunteer", "experimenter")):
            guess_record(
                participant=person, teller=teller, stage=stage, arm_place=(person.serial * 2 + turn) % 3,
                sure=30 + (person.serial * 17 + turn * 20) % 60, why="",
                actor=self.lab.actor(self.by),
            )  # fmt: skip

    def hold(self, values: Values, minutes: int) -> "VisitWalk":
        """Take the pre-dose set and its repeat, both outside the limits: the volunteer is held."""
        for offset in (minutes, minutes + 16):
            self._vitals("pre_dose", self.start + timedelta(minutes=offset), values)
        return self

    def _minute(self, step: Step, position: int) -> int:
        if self.visit.number == self.plan.dosing_visit.number:
            return DOSING_MINUTES[step.key]
        return 4 + position * (6 if self.visit.number == 1 else 7)

    def _do(self, step: Step, at: datetime, values: Values) -> None:
        actor = self.lab.actor(self.by)
        if step.kind == "questions":
            self._questions(at)
        elif step.kind == "vitals":
            assert step.gate
            self._vitals(step.gate, at, values)
        elif step.kind == "dose":
            self._dose(at)
        elif step.kind == "leave":
            with clock.travel(at):
                leave_check(
                    visit=self.visit, ate=True, orthostatic_ok=True, symptoms=[], actor=actor
                )
                wallet_card_handed(participant=self.visit.participant, actor=actor)
        else:
            with clock.travel(at):
                value = value_for(step, at, self.walker.dice)
                if step.of:
                    value = {"value": self._clean_thing(at)}
                step_record(
                    visit=self.visit, step_key=step.key, value=value, occurred_at=at,
                    client_id=uuid4(), actor=actor,
                )  # fmt: skip

    def _clean_thing(self, at: datetime) -> str:
        """Return the name of a sensor set that is clean, not always the first one."""
        clean = [
            one.name for one in things_now(self.lab.study, self.plan, at) if one.state == "clean"
        ]
        return self.walker.dice.choice(clean)

    def _questions(self, at: datetime) -> None:
        rows = load_table().for_study(self.plan.questions).asked("dosing_day")
        with clock.travel(at):
            answers_record(
                participant=self.walker.participant,
                when=AnswerSet.When.DOSING_DAY,
                answers=healthy_answers(rows, {}),
                medicines=[],
                no_medicines=True,
                height_cm=None,
                weight_kg=None,
                source=AnswerSet.Source.STAFF,
                given_at=at - timedelta(minutes=1),
                visit_uid=self.visit.uid,
                actor=self.lab.actor(self.by),
            )

    def _vitals(self, gate: str, at: datetime, values: Values) -> None:
        person, actor = self.walker.participant, self.lab.actor(self.by)
        first = newest_vitals(person, gate, self.visit.uid) is None
        if first and gate == "pre_dose":
            record_checks(person, gate, self.visit.uid, at - timedelta(minutes=2), actor)
        rest = rest_from(person, gate, self.visit.uid, at - timedelta(seconds=305), actor)
        with clock.travel(at + timedelta(minutes=4)):
            vitals_record(
                participant=person,
                gate=gate,
                visit_uid=self.visit.uid,
                rest_seconds=305,
                arm="left",
                cuff="standard adult",
                device="Monitor 2",
                readings=readings(at, *values, self.walker.dice),
                symptoms=[],
                posture="seated",
                how=replace(
                    how_taken(*values, self.walker.dice, girth=self.walker.girth), rest=rest
                ),
                reason="" if first else "Repeated after ten minutes of rest.",
                actor=actor,
            )
        if gate == "leave":
            record_checks(person, gate, self.visit.uid, at + timedelta(minutes=5), actor)

    def hand_out(self, at: datetime) -> str:
        """Have the pharmacist prepare and hand out the kit; return its number."""
        participant, pharmacist = self.walker.participant, self.lab.actor("pharmacist")
        second = next(m for m in STAFF if m.key == self.by)
        with clock.travel(at - timedelta(minutes=50)):
            kit = kit_prepare(participant=participant, actor=pharmacist)
        with clock.travel(at - timedelta(minutes=6)):
            kit_dispense(
                participant=participant, kit_number=kit.number, second_email=second.email,
                second_password=PASSWORD, visit_uid=self.visit.uid, actor=pharmacist,
            )  # fmt: skip
        return kit.number

    def _beside(self) -> Staff:
        """The other experimenter; at somebody's first dose a clinician, who supervises it."""
        others = [m for m in STAFF if m.key.startswith("experimenter") and m.key != self.by]
        both = [self.lab.users[self.by], self.lab.users[others[0].key]]
        if Dose.objects.filter(given_by__in=both).exists():
            return others[0]
        return next(m for m in STAFF if m.key == "clinician")

    def _ready(self, at: datetime) -> None:
        """Say what must be said on the spot before a dose: physician here, emergency kit, somebody stays."""
        with clock.travel(at - timedelta(minutes=12)):
            cover_confirm(actor=self.lab.actor("clinician"))
            if rescue_check_today(self.lab.study, clock.now()) is None:
                rescue_check_record(complete=True, note="", actor=self.lab.actor(self.by))
            staying_record(visit=self.visit, client_id=uuid4(), actor=self.lab.actor(self.by))

    def _dose(self, at: datetime) -> None:
        self._ready(at)
        number = self.hand_out(at)
        supply = self.plan.supply
        second = self._beside()
        strength = Decimal(str(supply.strength_mg))
        with clock.travel(at):
            dose_give(
                visit=self.visit,
                kit_number=number,
                count=supply.count,
                strength_mg=strength,
                second_email=second.email,
                second_password=PASSWORD,
                second_count=supply.count,
                second_strength_mg=strength,
                mouth_checked=True,
                given_at=at,
                client_id=uuid4(),
                actor=self.lab.actor(self.by),
            )


def physician_in(walker: Walker, at: datetime, until: datetime) -> None:
    """Have the supervising physician check in at the site."""
    with clock.travel(at):
        cover_check_in(
            until=until, whereabouts="Room 2.04, second floor", actor=walker.lab.actor("clinician")
        )


def reach(walker: Walker, at: datetime, *, reached: bool = True, symptoms: bool = False) -> None:
    """Call the volunteer after the dose."""
    dose = Dose.objects.get(participant=walker.participant)
    questions = current_protocol(walker.lab.study).plan.follow_up.questions
    word = "a little tired, gone by evening" if symptoms else "no"
    with clock.travel(at):
        contact_record(
            dose=dose,
            at=at - timedelta(minutes=2),
            reached=reached,
            symptoms=symptoms if reached else None,
            answers=dict.fromkeys(questions, word) if reached else {},
            note="" if reached else "No answer, left no message.",
            actor=walker.lab.actor("coordinator"),
        )
