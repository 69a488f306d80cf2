"""One volunteer taken through the services, up to a dose and beyond, at set times.

Every act happens at `case.t`, which moves forward as the case goes on; `leave_out` leaves single acts away, so
that a test can break one thing at a time.
"""

from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from uuid import uuid4

from scheduling.models import Dose, Series, StepRecord, Visit
from scheduling.rules.openings import Hours
from scheduling.selectors.sheet import sheet_of
from scheduling.services.booking import series_book
from scheduling.services.contacts import contact_record
from scheduling.services.cover import cover_check_in
from scheduling.services.doses import dose_give
from scheduling.services.leave import leave_check
from scheduling.services.steps import step_record
from scheduling.services.visits import visit_finish, visit_start
from screening.models import AnswerSet, VitalSet
from screening.rules.vitals import Reading
from screening.selectors import newest_assessment, newest_vitals
from screening.selectors.checks import asked_at
from screening.selectors.inputs import table_of
from screening.services import answers_record, number_issue, sign_off_give, vitals_record
from studylab import clock
from studylab.access import Actor, Role
from studylab.allocation.models import KitMovement
from studylab.allocation.services import (
    batch_check,
    kit_dispense,
    kit_prepare,
    kits_receive,
    list_seal,
)
from studylab.participants.models import Participant
from studylab.studies.selectors import current_protocol
from tests import cast
from tests.participants import people
from tests.scheduling import lab
from tests.scheduling.sheet.values import GOOD, HEALTHY, SEEN, value_for
from tests.screening.record import checks

MINUTE = timedelta(minutes=1)
MONDAY = datetime.fromisoformat("2026-11-23T11:00:00+00:00")  # 07:00 in Halifax
ROLES = ("coordinator", "clinician", "pharmacist", "experimenter", "lead")


class Case:
    """A study with its people and one volunteer; `t` is the present."""

    def __init__(self, t: datetime = MONDAY, **users: Any) -> None:
        self.t = t
        with self.now():
            self.study = cast.make_study()
            self.users = {role: self._join(role) for role in ROLES}
            self.users["second"] = cast.make_user("Sten Aldous")
            cast.join(self.users["second"], self.study, Role.EXPERIMENTER)
        self.participant: Participant
        self.series: Series

    def _join(self, role: str) -> Any:
        user = cast.make_user(cast.NAMES[Role(role)])
        cast.join(user, self.study, Role(role))
        return user

    # Time and people ---------------------------------------------------------------------------

    @contextmanager
    def now(self) -> Iterator[None]:
        with clock.travel(self.t):
            yield

    def forward(self, minutes: float) -> None:
        self.t += minutes * MINUTE

    def act(self, service: Callable[..., Any], role: str = "experimenter", **kwargs: Any) -> Any:
        """Call a service now, as somebody."""
        with self.now():
            return service(**kwargs, actor=self.actor(role))

    def actor(self, role: str = "experimenter") -> Actor:
        with self.now():
            return cast.actor_of(self.users[role], self.study)

    def visit(self, number: int) -> Visit:
        return Visit.objects.select_related("participant__study").get(
            series=self.series, number=number
        )

    @property
    def dose(self) -> Dose:
        return Dose.objects.get(participant=self.participant, superseded_by=None)

    # Before the first visit --------------------------------------------------------------------

    def screen(self, **changed: Any) -> None:
        """Enquiry, questions, consent, readings, sign-off."""
        with self.now():
            self.participant = people.add(self.actor("coordinator"), self.study)
            people.give_consent(
                self.actor("coordinator"), self.participant, clock.now() - 30 * MINUTE
            )
        self.answers("screening", None, **changed)
        self.forward(20)
        self.readings("screening", None)
        self.sign_off()

    def sign_off(self, personal_limits: dict[str, float] | None = None) -> None:
        assessment = newest_assessment(self.participant, "screening")
        assert assessment is not None
        self.act(
            sign_off_give, "clinician", participant=self.participant, assessment=assessment,
            decision="eligible", item_decisions=[], personal_limits=personal_limits, reason="",
            password=cast.PASSWORD,
        )  # fmt: skip

    def prepare_study(self, *, confirm: bool = True) -> None:
        """Limits confirmed, list sealed, kits in stock."""
        with self.now():
            if confirm:
                cast.confirm_limits(self.study, self.users["clinician"])
        self.act(list_seal, "pharmacist", study=self.study, password=cast.PASSWORD)
        for arm, label in (("active", "B-01"), ("placebo", "B-02")):
            batch = self.act(
                kits_receive, "pharmacist", study=self.study, arm_key=arm, label=label,
                usable_until=date(2027, 6, 30), storage="dry", strength_mg=Decimal("40"),
                units_per_kit=1, quantity=3,
            )  # fmt: skip
            self.act(
                batch_check, "pharmacist", batch=batch, agrees=True, units=2, how="two opened",
                second_email=cast.second_pharmacist(self.study).email,
                second_password=cast.PASSWORD, password=cast.PASSWORD,
            )  # fmt: skip

    def book(
        self, *, first_day: str = "2026-11-24", earliest: time = time(9), number: bool = True
    ) -> None:
        """A lab, the first series on offer from a day on, and the number."""
        with self.now():
            hours = [Hours(day, time(0), time(23, 59)) for day in range(7)]
            lab.make_lab(self.actor("lead"), hours=hours)
            day = date.fromisoformat(first_day)
            asked = lab.wishes(first_day, str(day + timedelta(days=2)), not_earlier=earliest)
            option = lab.find(self.participant, asked, limit=1)[0]
        self.series = self.act(
            series_book, "coordinator", participant=self.participant, option=option
        )
        if number:
            self.act(number_issue, "coordinator", participant=self.participant)

    # Visits ------------------------------------------------------------------------------------

    def start(self, number: int, *, late: float = 0, **kwargs: Any) -> Visit:
        """Start a visit at its planned time, or so many minutes later."""
        visit = self.visit(number)
        self.t = visit.planned.lower + late * MINUTE
        started: Visit = self.act(visit_start, visit=visit, **kwargs)
        return started

    def step(self, number: int, key: str, value: Any, **kwargs: Any) -> StepRecord:
        """Record one step now."""
        given = {"client_id": uuid4(), "occurred_at": self.t, **kwargs}
        record: StepRecord = self.act(
            step_record, visit=self.visit(number), step_key=key, value=value, **given
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
            self.step(number, step.key, value)
            self.forward(1 + (step.minutes or 0))

    def finish(self, number: int) -> Visit:
        ended: Visit = self.act(visit_finish, visit=self.visit(number))
        return ended

    def visit_one(self) -> None:
        self.start(1)
        self.fill(1)
        self.finish(1)

    def answers(self, when: str, visit: Visit | None, **changed: Any) -> AnswerSet:
        """Answer every question as somebody with nothing to report, with the given ones instead."""
        rows = table_of(current_protocol(self.study)).asked(when)
        given = {row.id: HEALTHY.get(row.id, "no") for row in rows if not row.asked_if}
        medicines = changed.pop("medicines", [])
        given |= {key.replace("_", "-"): value for key, value in changed.items()}
        made: AnswerSet = self.act(
            answers_record, participant=self.participant, when=when,
            answers={key: {"value": v, "detail": "said"} for key, v in given.items() if v is not None},
            medicines=medicines, no_medicines=not medicines, height_cm=172.0, weight_kg=68.0,
            source="staff", given_at=self.t, visit_uid=visit.uid if visit else None,
        )  # fmt: skip
        return made

    def readings(
        self, gate: str, visit: Visit | None, values: Any = GOOD, **kwargs: Any
    ) -> VitalSet:
        """Take a set whose last reading is now; the first of a check with the other checks it asks for."""
        uid = visit.uid if visit else None
        again = newest_vitals(self.participant, gate, uid) is not None
        if not again:
            self.checks(gate, uid)
        kwargs = {"reason": "again" if again else "", "how": checks.HOW, **kwargs}
        count = len(values)
        taken = [
            Reading(*map(float, value), at=self.t - (count - 1 - n) * 1.5 * MINUTE)
            for n, value in enumerate(values)
        ]
        made: VitalSet = self.act(
            vitals_record, participant=self.participant, gate=gate, readings=taken,
            visit_uid=visit.uid if visit else None, rest_seconds=300, arm="left", cuff="adult",
            device="Monitor 1", symptoms=kwargs.pop("symptoms", []), **kwargs,
        )  # fmt: skip
        return made

    def checks(self, gate: str, visit_uid: Any) -> None:
        """Record the checks that a gate asks of this volunteer, all of them fine."""
        limits = current_protocol(self.study).plan.limits
        for kind in asked_at(self.participant, gate, limits):
            with self.now():
                checks.check(self.participant, self.actor("experimenter"), kind, gate, visit_uid)

    def cover(self, hours: float = 9, role: str = "clinician") -> None:
        self.act(cover_check_in, role, until=self.t + timedelta(hours=hours))

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

    def give(self, role: str = "experimenter", **changed: Any) -> Dose:
        """Give the dose now, as two people who read the right amount."""
        given = {
            "visit": self.visit(2), "kit_number": self.kit_number(), "count": 1,
            "strength_mg": Decimal("40"), "second_email": self.users["second"].email,
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
