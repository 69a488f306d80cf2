"""A volunteer who answers alone, or sees the booked visits, through a personal link on their own phone."""

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any

from screening.rules.self_report import HEIGHT, MEDICINES, WEIGHT, Screen
from screening.selectors.self_report import screens_of
from screening.services.self_report import self_report_save, self_report_send
from studylab import clock
from studylab.management.demo.steps import healthy_answers
from studylab.management.demo.walker import Walker
from studylab.participants.models import PersonalLink
from studylab.participants.selectors import birth_date
from studylab.participants.services import agreement_give
from studylab.participants.services.links import holder_actor, link_make, link_open
from studylab.studies.selectors import current_protocol


class Phone:
    """The link of one volunteer and what is done with it, each at its moment."""

    def __init__(self, walker: Walker, at: datetime, language: str = "en") -> None:
        self.walker, self.language = walker, language
        with clock.travel(at):
            self.link: PersonalLink = link_make(
                participant=walker.participant, purpose=PersonalLink.Purpose.QUESTIONS, days=14,
                actor=walker.lab.actor("coordinator"),
            ).link  # fmt: skip
        self.actor = holder_actor(self.link)

    def open(self, at: datetime) -> "Phone":
        """Open the link and agree to be asked."""
        with clock.travel(at):
            link_open(link=self.link, born=None, actor=self.actor)
        with clock.travel(at + timedelta(minutes=2)):
            agreement_give(
                participant=self.walker.participant, language=self.language, actor=self.actor,
                version=current_protocol(self.walker.lab.study).plan.consent_version,
            )  # fmt: skip
        return self

    def write(
        self,
        at: datetime,
        *,
        changed: Mapping[str, Any] | None = None,
        medicines: list[dict[str, Any]] | None = None,
        screens: int = 99,
    ) -> "Phone":
        """Fill in that many screens, a minute each, healthy but for `changed`."""
        for screen in screens_of(self.walker.participant)[:screens]:
            with clock.travel(at + timedelta(minutes=screen.number)):
                self_report_save(
                    participant=self.walker.participant, screen=screen.number, actor=self.actor,
                    contents=self._contents(screen, changed or {}, medicines or []),
                )  # fmt: skip
        return self

    def send(self, at: datetime) -> "Phone":
        """Send it."""
        with clock.travel(at):
            self_report_send(
                participant=self.walker.participant, link=self.link, language=self.language,
                actor=self.actor,
            )  # fmt: skip
        return self

    def _contents(
        self, screen: Screen, changed: Mapping[str, Any], medicines: list[dict[str, Any]]
    ) -> dict[str, Any]:
        if screen.kind == "medicines":
            return {MEDICINES: {"none": not medicines, "list": medicines}}
        if screen.kind == "body":
            height = 160 + self.walker.index * 7 % 30
            return {HEIGHT: {"value": height}, WEIGHT: {"value": round(21.5 * (height / 100) ** 2)}}
        ids = {row.id for row in screen.rows}
        mine = {key: value for key, value in changed.items() if key in ids}
        return healthy_answers(screen.rows, mine)


def sees_visits(walker: Walker, at: datetime) -> None:
    """Make a link to the booked visits, and open it with the birth date an hour later."""
    purpose, actor = PersonalLink.Purpose.VISITS, walker.lab.actor("coordinator")
    with clock.travel(at):
        link = link_make(participant=walker.participant, purpose=purpose, days=30, actor=actor).link
    with clock.travel(at + timedelta(hours=1)):
        link_open(link=link, born=birth_date(walker.participant), actor=holder_actor(link))


def on_phones(new: Callable[..., Walker], at: Callable[..., datetime]) -> None:
    """Tell of personal links: one answered in French, one changed by staff, one half-way, one not opened."""
    pill = {"name": "une pilule contre les allergies", "dose": "une le matin, au printemps",
            "route": "oral", "taken_on": at(-9, 9).date().isoformat(), "prescribed": "no"}  # fmt: skip
    cold = {"C-17a": {"value": "yes", "detail": "Deux doigts, l’hiver."}}
    french = new(-4, 11, agreed=False, language="fr-ca")
    phone = Phone(french, at(-4, 11, 20), "fr-ca").open(at(-4, 18))
    phone.write(at(-4, 18, 5), changed=cold, medicines=[pill])
    phone.write(at(-4, 19), medicines=[pill]).send(at(-4, 19, 30))
    runner = new(-3, 9, agreed=False)
    Phone(runner, at(-3, 9, 20)).open(at(-3, 12)).write(at(-3, 12, 5)).send(at(-3, 12, 40))
    runner.answers(at(-2, 10), changed={"C-45": "yes"})
    half = new(-1, 14, agreed=False)
    Phone(half, at(-1, 14, 10)).open(at(-1, 20)).write(at(-1, 20, 5), screens=5)
    Phone(new(0, 10, agreed=False), at(0, 10, 20))
