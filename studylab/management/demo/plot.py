"""The story of the demonstration: who is where on the path, at twenty to one on the day it is loaded."""

from collections.abc import Callable, Iterator
from datetime import date, datetime, time, timedelta
from itertools import count
from typing import Any
from zoneinfo import ZoneInfo

from scheduling.models import Booking, Visit
from scheduling.services.change import series_cancel
from scheduling.services.missing import visit_missed
from scheduling.services.outages import outage_add
from studylab import clock
from studylab.management.demo.lab import Lab
from studylab.management.demo.noted import noted
from studylab.management.demo.payments import paid
from studylab.management.demo.phone import on_phones, sees_visits
from studylab.management.demo.safety import SafetyStory, said
from studylab.management.demo.visits import VisitWalk, physician_in, reach
from studylab.management.demo.walker import Values, Walker
from studylab.participants.services import Wishes, participant_lost, participant_withdraw
from studylab.participants.services.acquaintances import acquaintance_decide

Say = Callable[[str], None]
DAY = timedelta(days=1)
NOON = time(12, 40)  # the moment at which the demonstration begins


class Plot:
    """Builds everybody. `today` is the study's local day; `now` the moment the demonstration begins."""

    def __init__(self, lab: Lab, today: date, say: Say) -> None:
        self.lab, self.today, self.say = lab, today, say
        self.zone = ZoneInfo(lab.study.timezone)
        self.now = self.at(0, 12, 40)
        self._numbers: Iterator[int] = count()
        self.safety = SafetyStory(lab)
        self.everybody: list[Walker] = []  # who came to the end, in the order of their doses

    def at(self, days: int, hour: int, minute: int = 0) -> datetime:
        """Return a local time so many days from today."""
        return datetime.combine(
            self.today + timedelta(days=days), time(hour, minute), tzinfo=self.zone
        ).astimezone(ZoneInfo("UTC"))

    def new(self, days: int, hour: int = 9, minute: int = 10, **known: Any) -> Walker:
        """Return a new enquiry."""
        return Walker(self.lab, next(self._numbers), self.at(days, hour, minute), **known)

    def build(self) -> None:
        """Tell the whole story, oldest chapters first, so that numbers go out in the order of time."""
        for chapter in (
            self.completed, self.ended_early, self.others_today, self.what_went_wrong, self.dosing_today,
            self.coming, self.changes, self.waiting_for_sign_off, self.early_on_the_path,
            self.screened_out, self.on_their_own_phone, self.noted,
        ):  # fmt: skip
            self.say((chapter.__doc__ or "").split(".")[0])
            chapter()

    def completed(self) -> None:
        """Volunteers who came to the end of the path."""
        for turn in range(9):
            first = -52 + turn * 5
            walker = self.new(first - 6)
            walker.screened(self.at(first - 5, 10))
            series = walker.book(self.at(first - 3, 11), self.at(first, 9 + turn % 3))
            visits = list(series.visits.order_by("number"))
            self._through(walker, visits, first, late=130 if turn == 4 else 0)
            self._after_dose(turn, walker, first)
            if turn < 6:  # the later ones stand on the list to pay
                paid(walker, self.at(first + 4, 10))

    def _after_dose(self, turn: int, walker: Walker, first: int) -> None:
        """Tell what happened to some of them after the dose."""
        dosed = first + 1
        tired = (
            "More tired than usual, slept early.",
            "tiredness",
            self.at(dosed, 18),
            self.at(dosed + 1, 7),
        )
        ache = (
            "A dull headache in the evening.",
            "headache",
            self.at(dosed, 20),
            self.at(dosed, 23),
        )
        what = {1: tired, 5: tired, 3: ache}.get(turn)
        if what is not None:
            self.safety.mild(walker.participant, self.at(dosed + 1, 9), said(*what), close=True)
        elif turn == 7:
            self.safety.fainted(walker.participant, self.at(dosed, 18))
        self.everybody.append(walker)

    def _through(self, walker: Walker, visits: list[Visit], first: int, late: int = 0) -> None:
        """Run all three visits; with `late` minutes the second begins outside its window."""
        end = self.at(first + 3, 0)
        VisitWalk(walker, visits[0]).begin().run(end)
        physician_in(walker, self.at(first + 1, 8), self.at(first + 1, 20))
        VisitWalk(walker, visits[1]).begin(late).run(end)
        reach(walker, self.at(first + 2, 8))
        VisitWalk(walker, visits[2]).begin().run(end)

    def ended_early(self) -> None:
        """People who withdrew or were lost on the way."""
        walker = self.new(-30)
        walker.screened(self.at(-29, 10))
        walker.book(self.at(-27, 11), self.at(-22, 9))
        with clock.travel(self.at(-24, 9)):
            participant_withdraw(
                participant=walker.participant, reason="Found work that starts next week.",
                wishes=Wishes("yes", "no_use", "no", "phone", clock.now()), actor=self.lab.actor("coordinator"),
            )  # fmt: skip
        walker = self.new(-26)
        walker.screened(self.at(-25, 10))
        series = walker.book(self.at(-23, 11), self.at(-18, 14))
        visits = list(series.visits.order_by("number"))
        VisitWalk(walker, visits[0]).begin().run(self.at(-17, 0))
        with clock.travel(self.at(-17, 16)):
            visit_missed(
                visit=visits[1], reason="Did not come, did not answer.",
                actor=self.lab.actor("coordinator"),
            )  # fmt: skip
        with clock.travel(self.at(-10, 9)):
            participant_lost(
                participant=walker.participant, reason="Not reached by phone or mail for a week.",
                actor=self.lab.actor("coordinator"),
            )  # fmt: skip
        walker = self.new(-15).answers(self.at(-15, 10))
        with clock.travel(self.at(-14, 9)):
            participant_withdraw(
                participant=walker.participant, reason="Changed their mind after reading the leaflet.",
                actor=self.lab.actor("coordinator"),
            )  # fmt: skip

    def _second_day(self, hour: int, minute: int = 0) -> tuple[Walker, list[Visit]]:
        """Return somebody whose first visit was yesterday at that time."""
        walker = self.new(-9)
        walker.screened(self.at(-8, 10, 5))
        series = walker.book(self.at(-5, 10), self.at(-1, hour, minute))
        visits = list(series.visits.order_by("number"))
        VisitWalk(walker, visits[0]).begin().run(self.at(0, 0))
        return walker, visits

    def dosing_today(self) -> None:
        """Dosing visits of today: done, waiting, due for the check, held, to come."""
        cast = {
            key: self._second_day(*key) for key in ((7, 0), (10, 15), (11, 0), (11, 30), (14, 0))
        }
        physician_in(cast[7, 0][0], self.at(0, 6, 50), self.at(0, 19, 30))
        staff = ("experimenter", "experimenter2", "experimenter3", "experimenter4")
        for (key, (walker, visits)), who in zip(cast.items(), staff, strict=False):
            walk = VisitWalk(walker, visits[1], who).begin()
            if key == (11, 30):
                walk.run(self.at(0, 11, 45))
                walk.hold((104, 66, 54), 22)
            else:
                walk.run(self.now)
        tired = said("A little tired since the second hour.", "tiredness", self.at(0, 10))
        self.safety.mild(
            cast[7, 0][0].participant, self.at(0, 10, 20), tired, close=False, source="sheet"
        )

    def _third_day(self, hour: int, *, called: bool) -> tuple[Walker, list[Visit]]:
        """Return somebody who was dosed yesterday."""
        walker = self.new(-11)
        walker.screened(self.at(-10, 10, 10))
        series = walker.book(self.at(-6, 10), self.at(-2, hour))
        visits = list(series.visits.order_by("number"))
        VisitWalk(walker, visits[0], "experimenter2").begin().run(self.at(-1, 0))
        physician_in(walker, self.at(-1, 7), self.at(-1, 20))
        VisitWalk(walker, visits[1], "experimenter2").begin().run(self.at(0, 0))
        if called:
            reach(walker, self.at(0, 8, 20))
        return walker, visits

    def others_today(self) -> None:
        """First and third visits of today, and a call that is due."""
        walker, visits = self._third_day(8, called=True)
        VisitWalk(walker, visits[2], "experimenter").begin().run(self.now)
        walker, _visits = self._third_day(13, called=False)
        reach(walker, self.at(0, 10), reached=False)
        for hour, minute, begins in ((12, 0, True), (13, 30, False)):
            walker = self.new(-7)
            walker.screened(self.at(-6, 10))
            series = walker.book(self.at(-3, 15), self.at(0, hour, minute))
            if begins:
                VisitWalk(walker, series.visits.get(number=1), "experimenter").begin().run(self.now)

    def what_went_wrong(self) -> None:
        """Events, deviations and a report that is due."""
        late, other = self.everybody[6].participant, self.everybody[8].participant
        self.safety.deviations(self.everybody[4].participant, other, self.at(0, 9))
        self.safety.told_this_morning(late, self.at(0, 8, 30))

    def coming(self) -> None:
        """Series booked for the coming days, and signed-off people without one."""
        for days, hour, number in (
            (1, 9, True),
            (2, 13, True),
            (4, 9, True),
            (6, 10, False),
            (8, 9, True),
        ):
            walker = self.new(-6, 11)
            walker.screened(self.at(-5, 10))
            walker.book(self.at(-2, 14), self.at(days, hour), number=number)
            if days == 2:
                sees_visits(walker, self.at(-2, 15))
        for turn in range(10):  # enough for the planner to have something to do
            days = -6 + turn % 4
            walker = self.new(days, 9 + turn).screened(self.at(days, 10 + turn))
            if turn < 3:
                walker.waits(self.at(-1, 10 + turn), "Can come at a day's notice." if turn else "")

        herbal = {"name": "St John's wort", "route": "oral", "dose": "300 mg a day", "prescribed": False,
                  "last_taken": self.at(-4, 21)}  # fmt: skip
        walker = self.new(-4, 8).answers(self.at(-3, 9), medicines=[herbal])
        walker.consent(self.at(-2, 10)).vitals(self.at(-2, 11)).sign(self.at(-1, 9), "eligible")

    def changes(self) -> None:
        """A series that was cancelled yesterday, and a room that is closed on a day with visits."""
        walker = self.new(-6, 16)
        walker.screened(self.at(-5, 16))
        series = walker.book(self.at(-2, 16), self.at(7, 10))
        with clock.travel(self.at(-1, 16)):
            series_cancel(
                series=series, reason="An exam was moved to that week.",
                actor=self.lab.actor("coordinator"),
            )  # fmt: skip
        hit = Booking.objects.filter(
            is_active=True, place__resource__kind="lab room", during__startswith__gt=self.at(4, 0)
        ).earliest("during")
        day = (hit.during.lower.astimezone(self.zone).date() - self.today).days
        with clock.travel(self.at(0, 9, 20)):
            outage_add(
                resources=[hit.place.resource], name=hit.place.resource.name, start=self.at(day, 7),
                end=self.at(day, 20), reason="new floor", actor=self.lab.actor("coordinator"),
            )  # fmt: skip

    def waiting_for_sign_off(self) -> None:
        """People about whom a clinician decides next."""
        stories: tuple[tuple[dict[str, Any], list[dict[str, Any]], Values], ...] = (
            ({}, [], (117, 75, 70)),
            ({"C-45": "yes"}, [], (112, 70, 56)),
            ({"C-17a": {"value": "yes", "detail": "Two fingers in winter, a few minutes."}}, [], (118, 76, 72)),
            ({}, [{"name": "levothyroxine", "route": "oral", "dose": "50 micrograms", "prescribed": True}],
             (121, 78, 74)),
            ({}, [{"name": "green harbour tonic", "route": "oral", "dose": "a spoon", "prescribed": False}],
             (114, 72, 66)),
        )  # fmt: skip
        for number, (changed, medicines, values) in enumerate(stories):
            walker = self.new(-4, 10 + number)
            walker.answers(self.at(-3, 10, number * 7), changed=changed, medicines=medicines)
            walker.consent(self.at(-1, 9, number * 9)).vitals(self.at(-1, 11, number * 9), values)
        walker = self.new(-5, 15)
        walker.answers(self.at(-4, 10)).consent(self.at(-3, 9)).vitals(
            self.at(-3, 10), (96, 62, 64)
        )
        walker.sign(
            self.at(-2, 9), "needs_more", "A second set on another day, please, before I decide."
        )

    def early_on_the_path(self) -> None:
        """New enquiries, half-answered questionnaires, consents to come."""
        for hour in (8, 9, 11):
            self.new(0, hour)
        for days in (-1, -2):
            self.new(days, 15).answers(
                self.at(days, 16), left_out=frozenset({"C-13a", "C-47", "C-38a"})
            )
        flatmates = [self.new(days, 12).answers(self.at(days, 13)) for days in (-2, -3)]
        with clock.travel(self.at(-1, 10)):
            acquaintance_decide(
                participant=flatmates[0].participant, code=flatmates[1].participant.code, apart=True,
                reason="They share a flat and heard of the study together.",
                actor=self.lab.actor("coordinator"),
            )  # fmt: skip
        self.new(-3, 16).answers(self.at(-3, 17)).consent(self.at(-1, 16))

    def screened_out(self) -> None:
        """People whom the rules or a clinician kept out."""
        for days, changed, why in (
            (-40, {"C-01": "yes"}, "Asthma as a child: a contraindication of the drug."),
            (-33, {"C-20": "yes"}, "Diabetes: a contraindication for this study."),
            (-20, {"C-24": "yes"}, "Carries an adrenaline pen after a severe allergic reaction."),
        ):  # fmt: skip
            walker = self.new(days).answers(self.at(days, 11), changed=changed)
            walker.sign(self.at(days + 1, 9), "not_eligible", why)
        walker = self.new(-18).answers(self.at(-17, 10)).consent(self.at(-16, 10))
        walker.vitals(self.at(-16, 11), (88, 58, 62)).vitals(self.at(-14, 11), (87, 57, 61))
        walker.sign(self.at(-13, 9), "not_eligible", "Systolic pressure below 90 on two days.")

    def on_their_own_phone(self) -> None:
        """Volunteers with a personal link: sent, changed by staff afterwards, half-way, not opened."""
        on_phones(self.new, self.at)

    def noted(self) -> None:
        """What was told by phone, a half-typed set, and a phone number that staff and a volunteer share."""
        noted(self.lab, self.at)
