"""A study with its people, and one volunteer from the enquiry to the booked series, at set times."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any

from scheduling.models import Dose, Series, Visit
from scheduling.rules.openings import Hours
from scheduling.services.booking import series_book
from screening.models import AnswerSet, VitalSet
from screening.rules.vitals import Reading
from screening.selectors import newest_assessment, newest_vitals
from screening.selectors.checks import asked_at
from screening.selectors.inputs import table_of
from screening.services import answers_record, number_issue, sign_off_give, vitals_record
from studylab import clock
from studylab.access import Actor, Role
from studylab.allocation.services import (
    batch_check,
    kits_receive,
    list_seal,
)
from studylab.participants.models import Participant
from studylab.studies.selectors import current_protocol
from tests import cast
from tests.participants import people
from tests.scheduling import lab
from tests.scheduling.sheet.values import GOOD, HEALTHY
from tests.screening.record import checks

MINUTE = timedelta(minutes=1)
MONDAY = datetime.fromisoformat("2026-11-23T11:00:00+00:00")  # 07:00 in Halifax
ROLES = ("coordinator", "clinician", "pharmacist", "experimenter", "lead")


class Beginning:
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
        with self.now():
            cast.practise(self.study, self.users["clinician"])
        for arm, label in (("active", "B-01"), ("placebo", "B-02")):
            batch = self.act(
                kits_receive, "pharmacist", study=self.study, arm_key=arm, label=label,
                usable_until=date(2027, 6, 30), storage="dry",
                form=current_protocol(self.study).plan.supply.form, strength_mg=Decimal("40"),
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

    # What every stage records ------------------------------------------------------------------

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
