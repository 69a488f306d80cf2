"""What volunteers see of their own visits behind a personal link: when, where, what to bring. Nothing about health."""

from dataclasses import dataclass
from datetime import datetime

from django.conf import settings
from django.utils.translation import gettext as _

from scheduling.models import Series, Visit
from scheduling.rules.clock_change import went_forward
from scheduling.selectors.own_page import Asked, asked_for, confirmed_at
from scheduling.selectors.series import all_series
from studylab import clock
from studylab.participants.models import Participant
from studylab.studies.rules.volunteer_texts import NATIVE, VolunteerText
from studylab.studies.selectors import current_protocol, plan_of


@dataclass(frozen=True, slots=True)
class MyVisit:
    """One appointment. `changed_at` is when the clocks went forward in the week before it.

    `open` means that it is to come and can still be confirmed, moved or cancelled; `asked` is the other time asked for.
    """

    number: int
    start: datetime
    end: datetime
    kind: str
    word: str
    before: str
    changed_at: datetime | None
    open: bool = False
    confirmed_at: datetime | None = None
    asked: Asked | None = None


@dataclass(frozen=True, slots=True)
class MyVisits:
    """The visits of the newest series, and what holds for all of them; texts are "" where the study has none."""

    series: Series | None
    rows: list[MyVisit]
    where: str
    bring: str

    @property
    def to_come(self) -> bool:
        """Whether somebody is still expected."""
        return any(row.kind == "info" for row in self.rows)


def my_series(participant: Participant) -> Series | None:
    """Return the newest series, cancelled or not."""
    return next(iter(all_series(participant)), None)


def my_visits(participant: Participant, language: str) -> MyVisits:
    """Return what the page shows, in one of the languages of `visit_languages`."""
    series = my_series(participant)
    if series is None:
        return MyVisits(None, [], "", "")
    plan, zone = plan_of(series.protocol_version), participant.study.timezone

    def say(text: VolunteerText | None) -> str:
        return text.say(language) if text is not None else ""

    now, takes_part = clock.now(), participant.is_active
    confirmed, asked = confirmed_at(series), asked_for(series, now)
    rows = []
    for row in series.visits.all():
        kind, word = _state(row.state)
        booked = row.state == Visit.State.BOOKED
        rows.append(
            MyVisit(
                row.number, row.planned.lower, row.planned.upper, kind, word,
                before=say(plan.texts.before_visit(plan.visit(row.number).key)) if booked else "",
                changed_at=went_forward(row.planned.lower, zone) if booked else None,
                open=takes_part and booked and now < row.planned.lower,
                confirmed_at=confirmed.get((row.pk, row.planned.lower)) if booked else None,
                asked=asked.get((row.pk, row.planned.lower)),
            )
        )  # fmt: skip
    return MyVisits(series, rows, say(plan.texts.where), say(plan.texts.bring))


def _state(state: str) -> tuple[str, str]:
    return {
        Visit.State.BOOKED: ("info", _("booked")),
        Visit.State.RUNNING: ("ok", _("under way")),
        Visit.State.DONE: ("ok", _("done")),
        Visit.State.STOPPED: ("ok", _("ended early")),
        Visit.State.MISSED: ("stop", _("did not take place")),
        Visit.State.CANCELLED: ("stop", _("cancelled")),
    }[Visit.State(state)]


def visit_languages(participant: Participant) -> tuple[str, ...]:
    """Return the languages that the study offers and in which no text on the visits is lacking, English first."""
    study, series = participant.study, my_series(participant)
    plan = plan_of(series.protocol_version) if series else current_protocol(study).plan
    offered = study.languages or [NATIVE]
    found = [
        code for code, _name in settings.LANGUAGES
        if code in offered and not plan.texts.lacking(code)
    ]  # fmt: skip
    return tuple(found) or (NATIVE,)


def has_visits(participant: Participant) -> bool:
    """Whether there is something to see."""
    return Series.objects.filter(participant=participant).exists()


def page_stays(participant: Participant) -> bool:
    """Whether the page stays open: also for somebody who withdrew or is done, who may still feel unwell."""
    return participant.is_active or participant.status in (
        Participant.Status.WITHDRAWN,
        Participant.Status.COMPLETED,
    )
