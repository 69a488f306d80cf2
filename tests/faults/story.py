"""A study in its middle, and somebody for each kind of act: to be booked, numbered, signed off, dosed, measured."""

from datetime import date, datetime, time, timedelta
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

from django.urls import reverse

from scheduling.selectors.options import Wishes, series_options
from scheduling.selectors.sealed import open_option, seal_option
from screening.selectors.sign_off import newest_assessment, sign_off_state
from studylab import clock
from studylab.access import Role
from studylab.management.demo.cast import PASSWORD
from studylab.management.demo.lab import Lab, build_lab
from studylab.management.demo.visits import VisitWalk, physician_in
from studylab.management.demo.walker import Walker
from studylab.participants.services.volunteers import DuplicateFound
from studylab.studies.selectors import current_protocol
from tests import cast
from tests.faults.acts import Act, session_of

TODAY = date(2026, 2, 11)
ZONE = ZoneInfo("America/Halifax")
DOSE = 50  # minutes from the start of the second visit to the dose


def local(hour: int, minute: int = 0, days: int = 0) -> datetime:
    """Return a time of the study's today."""
    return datetime.combine(TODAY + timedelta(days=days), time(hour, minute), tzinfo=ZONE)


class Story:
    """The lab and its volunteers. Each method hands out somebody who was not handed out before."""

    def __init__(self) -> None:
        self.lab: Lab = build_lab(local(12, days=-63))
        self.study = self.lab.study
        self._index, self._sets = 0, 0
        self.cookies: dict[str, str] = {}
        with clock.travel(local(8)):
            for key in ("coordinator", "clinician", "pharmacist", "experimenter", "experimenter2"):
                self.cookies[key] = session_of(self.lab.users[key])

    def _new(self, days: int) -> Walker:
        """Somebody nobody knows; invented names begin to resemble each other in a long drive."""
        self._index += 1
        try:
            return Walker(self.lab, self._index, local(9, days=days))
        except DuplicateFound:
            return self._new(days)

    def _screened(self) -> Walker:
        return self._new(-9).screened(local(10, 5, days=-8))

    def _url(self, name: str, *args: Any) -> str:
        return reverse(name, args=[self.study.slug, *args])

    def number(self) -> Act:
        """Somebody signed off gets a number."""
        person = self._screened().participant
        return Act(
            "number",
            person.pk,
            self._url("number_issue", person.code),
            {},
            self.cookies["coordinator"],
        )

    def booking(self, start: datetime) -> Act:
        """Somebody signed off gets the series that begins then."""
        person = self._screened().participant
        return self._booking_of(person, start)

    def rival(self, act: Act) -> Act:
        """Return what somebody else sends at another page at the same moment: at most one of both can be."""
        data, cookie = dict(act.data), act.cookie
        if act.kind in ("dose", "step"):
            data["client_id"], cookie = str(uuid4()), self.cookies["experimenter2"]
        if act.kind == "booking":
            person, current = self._screened().participant, current_protocol(self.study)
            option = open_option(
                data["option"], version=current.version, about=act.path.split("/")[-3]
            )
            data["option"] = seal_option(option, version=current.version, about=person.code)
            return Act("booking", person.pk, self._url("series_book", person.code), data, cookie)
        return Act(act.kind, act.about, act.path, data, cookie)

    def _booking_of(self, person: Any, start: datetime) -> Act:
        """The series that begins then, or else the first one behind it."""
        now, current = clock.now(), current_protocol(self.study)
        state = sign_off_state(person, now)
        assert state.sign_off is not None
        day = start.astimezone(ZONE).date()
        found = series_options(
            participant=person, version=current.version, now=now, dose_before=state.sign_off.valid_until, limit=40,
            wishes=Wishes(first_day=day, last_day=day + timedelta(days=2), not_earlier=start.timetz().replace(tzinfo=None)),
        )  # fmt: skip
        option = sorted(found.options, key=lambda one: one.visits[0].start)[0]
        token = seal_option(option, version=current.version, about=person.code)
        return Act(
            "booking", person.pk, self._url("series_book", person.code), {"option": token}, self.cookies["coordinator"]
        )  # fmt: skip

    def sign_off(self) -> Act:
        """Somebody screened is signed off."""
        walker = self._new(-4).answers(local(10, days=-3)).consent(local(9, days=-1))
        person = walker.vitals(local(9, 20, days=-1)).participant
        made = newest_assessment(person, "screening")
        assert made is not None
        data = {"assessed": made.pk, "decision": "eligible", "reason": "", "password": PASSWORD}
        return Act(
            "sign_off",
            person.pk,
            self._url("sign_off", person.code),
            data,
            self.cookies["clinician"],
        )

    def steps(self, start: datetime) -> "Steps":
        """Somebody in the first visit, whose steps are done one after the other."""
        walker = self._screened()
        series = walker.book(local(10, days=-2), start)
        VisitWalk(walker, series.visits.get(number=1)).begin().run(start + timedelta(minutes=5))
        self._sets += 1
        return Steps(self, series.visits.get(number=1), f"Sensor set {'BCDEF'[self._sets]}")

    def dosing(self, starts: list[datetime]) -> list["Dosing"]:
        """People who had their first visit yesterday and come for the second at these times."""
        found = []
        for start in starts:
            walker = self._screened()
            series = walker.book(local(10, days=-5), start - timedelta(days=1))
            visits = list(series.visits.order_by("number"))
            VisitWalk(walker, visits[0]).begin().run(start - timedelta(hours=3))
            found.append(Dosing(self, walker, visits[1]))
        physician_in(found[0].walker, local(6, 50), local(19, 30))
        return found

    def other_study(self, slug: str) -> Act:
        """A second study, whose pharmacist seals a list."""
        study = cast.make_study(slug=slug, prefix=slug[:2].upper())
        people = {
            role: cast.make_user(f"{slug} {role.value}")
            for role in (Role.CLINICIAN, Role.PHARMACIST)
        }
        for role, user in people.items():
            cast.join(user, study, role)
        cast.confirm_limits(study, people[Role.CLINICIAN])
        with clock.travel(local(8)):
            cookie = session_of(people[Role.PHARMACIST])
        data = {"method": "permuted_blocks", "block_sizes": "4, 8", "password": cast.PASSWORD}
        return Act("list", study.pk, reverse("list_seal", args=[study.slug]), data, cookie)


class Steps:
    """A running first visit."""

    def __init__(self, story: Story, visit: Any, sensors: str) -> None:
        self.story, self.visit = story, visit
        self._left = iter(
            [("welcome", {"done": "True"}), ("sensor_set", {"value": sensors}), ("sensors_on", {"done": "True"}),
             ("screen_distance", {"value": "60"}), ("story_words", {"done": "True"})]
        )  # fmt: skip

    def next(self) -> Act:
        """The next step."""
        key, value = next(self._left)
        path = self.story._url("step_record", self.visit.uid, key)
        data = {"client_id": str(uuid4()), **value}
        return Act("step", (self.visit.pk, key), path, data, self.story.cookies["experimenter"])


class Dosing:
    """A dosing visit. `ready` goes up to the dose, which is left to the page."""

    def __init__(self, story: Story, walker: Walker, visit: Any) -> None:
        self.story, self.walker, self.visit = story, walker, visit
        self.at = visit.planned.lower + timedelta(minutes=DOSE)

    def ready(self, by: str = "experimenter") -> Act:
        """Everything before the dose is done, the kit is handed out; the form of the dose is filled in."""
        walk = VisitWalk(self.walker, self.visit, by).begin()
        walk.run(self.at - timedelta(minutes=1))
        walk._ready(self.at)
        kit = walk.hand_out(self.at)
        second = walk._beside()
        amount = walk.plan.supply
        data = {
            "client_id": str(uuid4()), "kit_number": kit, "count": amount.count, "strength_mg": amount.strength_mg,
            "second_email": second.email, "second_password": PASSWORD, "second_count": amount.count,
            "second_strength_mg": amount.strength_mg, "mouth_checked": "on",
        }  # fmt: skip
        return Act(
            "dose",
            self.visit.pk,
            self.story._url("dose_give", self.visit.uid),
            data,
            self.story.cookies[by],
        )
