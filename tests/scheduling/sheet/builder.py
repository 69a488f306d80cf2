"""One volunteer taken through the services, up to a dose and beyond, at set times.

Every act happens at `case.t`, which moves forward as the case goes on; `leave_out` leaves single acts away, so
that a test can break one thing at a time.
"""

from collections.abc import Collection
from datetime import timedelta
from decimal import Decimal
from typing import Any
from uuid import uuid4

from scheduling.models import Dose, Staying, StepRecord, Visit
from scheduling.selectors.sheet import sheet_of
from scheduling.services.contacts import contact_record
from scheduling.services.cover import cover_check_in
from scheduling.services.doses import dose_give
from scheduling.services.leave import leave_check
from scheduling.services.presence import rescue_check_record, staying_record
from scheduling.services.steps import step_record
from scheduling.services.visits import visit_finish, visit_start
from studylab.allocation.models import KitMovement
from studylab.allocation.services import (
    kit_dispense,
    kit_prepare,
)
from studylab.studies.selectors import current_protocol
from tests import cast
from tests.scheduling.sheet.beginning import MINUTE, Beginning
from tests.scheduling.sheet.values import SEEN, value_for


class Case(Beginning):
    """The volunteer of a beginning, taken through the visits."""

    # Visits ------------------------------------------------------------------------------------

    def start(self, number: int, *, late: float = 0, **kwargs: Any) -> Visit:
        """Start a visit at its planned time, or so many minutes later."""
        visit = self.visit(number)
        self.t = visit.planned.lower + late * MINUTE
        started: Visit = self.act(visit_start, visit=visit, **kwargs)
        return started

    def step(
        self, number: int, key: str, value: Any, role: str = "experimenter", **kwargs: Any
    ) -> StepRecord:
        """Record one step now."""
        given = {"client_id": uuid4(), "occurred_at": self.t, **kwargs}
        record: StepRecord = self.act(
            step_record, role, visit=self.visit(number), step_key=key, value=value, **given
        )
        return record

    def fill(self, number: int, *, until: str = "", leave_out: Collection[str] = ()) -> None:
        """Record every step that a value can be given for, a minute apart, up to `until`."""
        plan = current_protocol(self.study).plan.visit(number)
        done = {row.step.key for row in sheet_of(self.visit(number), self.t).steps if row.done}
        for step in plan.steps:
            if step.key == until:
                break
            value = value_for(step, self.t)
            if value is None or step.key in done or step.key in leave_out:
                continue
            why = "Nobody else is here to rate." if step.rater else ""
            self.step(number, step.key, value, deviation_reason=why)
            self.forward(1 + (step.minutes or 0))

    def finish(self, number: int) -> Visit:
        ended: Visit = self.act(visit_finish, visit=self.visit(number))
        return ended

    def visit_one(self) -> None:
        self.start(1)
        self.fill(1)
        self.finish(1)

    def cover(self, hours: float = 9, role: str = "clinician") -> None:
        self.act(cover_check_in, role, until=self.t + timedelta(hours=hours))

    def rescue(self, *, complete: bool = True) -> None:
        """The emergency kit is looked through."""
        self.act(rescue_check_record, complete=complete, note="" if complete else "No oxygen.")

    def stay(self, role: str = "experimenter") -> Staying:
        """Somebody says to be with the volunteer of visit 2."""
        row: Staying = self.act(staying_record, role, visit=self.visit(2), client_id=uuid4())
        return row

    def kit(self) -> None:
        """Prepare and hand out the kit."""
        kit = self.act(kit_prepare, "pharmacist", participant=self.participant)
        self.act(
            kit_dispense, "pharmacist", participant=self.participant, kit_number=kit.number,
            second_email=self.users["second"].email, second_password=cast.PASSWORD,
            visit_uid=self.visit(2).uid,
        )  # fmt: skip

    def begin_two(self, leave_out: Collection[str] = (), *, late: float = 0) -> None:
        """Visit 2 up to the moment at which the dose may be given."""
        self.start(2, late=late)
        if "cover" not in leave_out:
            self.cover()
        if "rescue" not in leave_out:
            self.rescue()
        if "stay" not in leave_out:
            self.stay()
        if "identity" not in leave_out:
            self.step(2, "identity", SEEN)
        self.forward(5)
        if "questions" not in leave_out:
            self.answers("dosing_day", self.visit(2))
        self.forward(15)
        if "vitals" not in leave_out:
            self.readings("pre_dose", self.visit(2))
        self.forward(1)
        reason = "the test" if {"identity", "questions", "vitals"} & set(leave_out) else ""
        if "reminder" not in leave_out:
            self.step(2, "reminder", {"done": True}, deviation_reason=reason)
            self.step(2, "reminder_answer", {"value": "nothing"}, deviation_reason=reason)
        if "kit" not in leave_out:
            self.kit()
        self.forward(1)

    def ready(self, leave_out: Collection[str] = (), *, late: float = 0) -> "Case":
        """All of it, up to the moment at which the dose may be given."""
        self.prepare_study()
        self.screen()
        self.book()
        self.visit_one()
        self.begin_two(leave_out, late=late)
        return self

    # The dose and after ------------------------------------------------------------------------

    def kit_number(self) -> str:
        """What is read from the container: the kit that was prepared for the volunteer."""
        line = KitMovement.objects.filter(
            what="prepare", participant_code=self.participant.code
        ).last()
        return line.kit.number if line else ""

    @property
    def supervisor(self) -> Any:
        """The clinician, beside whom anybody may give their first dose."""
        return self.users["clinician"]

    def give(self, role: str = "experimenter", **changed: Any) -> Dose:
        """Give the dose now, as two people who read the right amount."""
        given = {
            "visit": self.visit(2), "kit_number": self.kit_number(), "count": 1,
            "strength_mg": Decimal("40"), "second_email": self.supervisor.email,
            "second_password": cast.PASSWORD, "second_count": 1,
            "second_strength_mg": Decimal("40"), "mouth_checked": True, "given_at": self.t,
            "client_id": uuid4(), **changed,
        }  # fmt: skip
        dose: Dose = self.act(dose_give, role, **given)
        return dose

    def after_dose(self) -> None:
        """Everything of visit 2 between the dose and the leave check."""
        given = self.dose.given_at
        self.forward(1)
        self.step(2, "settled", {"done": True})
        for minutes, key in ((30, "pulse_30"), (60, "pulse_60")):
            self.t = given + minutes * MINUTE
            self.step(2, key, {"value": 64})
        self.t = given + 95 * MINUTE
        self.readings("post_dose", self.visit(2))
        for minutes, key in ((120, "pulse_120"), (180, "pulse_180")):
            self.t = given + minutes * MINUTE
            self.step(2, key, {"value": 64})
        self.step(2, "meal", {"done": True})
        self.t = given + 245 * MINUTE
        self.readings("leave", self.visit(2))
        self.forward(2)

    def leave(self, **changed: Any) -> StepRecord:
        given = {"ate": True, "orthostatic_ok": True, "symptoms": [], **changed}
        record: StepRecord = self.act(leave_check, visit=self.visit(2), **given)
        return record

    def contact(self, hours: float, role: str = "experimenter", **changed: Any) -> Any:
        """Try to reach the volunteer so many hours after the dose."""
        self.t = self.dose.given_at + timedelta(hours=hours)
        questions = current_protocol(self.study).plan.follow_up.questions
        given = {
            "dose": self.dose, "at": self.t, "reached": True, "symptoms": False,
            "answers": dict.fromkeys(questions, "nothing"), "note": "", **changed,
        }  # fmt: skip
        return self.act(contact_record, role, **given)

    def visit_three(self) -> None:
        self.start(3)
        self.fill(3)
        self.finish(3)
