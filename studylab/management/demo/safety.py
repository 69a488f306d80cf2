"""Adverse events, reports, a pause and deviations of the invented study, in several states."""

from datetime import datetime, timedelta

from studylab import clock
from studylab.access import Actor
from studylab.management.demo.cast import PASSWORD
from studylab.management.demo.lab import Lab
from studylab.participants.models import (
    AdverseEvent,
    Deviation,
    DosingPause,
    EventEntry,
    Participant,
)
from studylab.participants.selectors.events import newest_entry
from studylab.participants.services import (
    Assessed,
    EventSaid,
    Judgement,
    care_status_record,
    deviation_assess,
    deviation_close,
    deviation_explain,
    deviation_record,
    event_add,
    event_close,
    event_judge,
    event_record,
    news_decide,
    pause_sign,
    person_told,
    report_received,
    report_sent,
)

HOUR = timedelta(hours=1)


def said(
    what: str, term: str, began: datetime, ended: datetime | None = None, **more: object
) -> EventSaid:
    """Return a mild event that is over when it has an end."""
    values: dict[str, object] = {
        "grade": 1, "criteria": (), "action": "Nothing", "outcome": "recovered" if ended else "recovering",
        "started_known": "minute", "ended_known": "minute" if ended else "ongoing", **more,
    }  # fmt: skip
    return EventSaid(what=what, term=term, started_at=began, ended_at=ended, **values)  # type: ignore[arg-type]


class SafetyStory:
    """What went wrong in the invented lab, and what was done about it."""

    def __init__(self, lab: Lab) -> None:
        self.lab = lab

    def actor(self, key: str) -> Actor:
        """Return one of the lab's people."""
        return self.lab.actor(key)

    def mild(
        self, person: Participant, at: datetime, event: EventSaid, *, close: bool, source: str = "contact"
    ) -> EventEntry:  # fmt: skip
        """Record a mild event; with `close` a clinician judges and closes it two hours later."""
        with clock.travel(at):
            entry = event_record(
                participant=person, source=source, aware_at=at - timedelta(minutes=5), event=event,
                actor=self.actor("coordinator" if source == "contact" else "experimenter"),
            )  # fmt: skip
        if close:
            with clock.travel(at + 2 * HOUR):
                view = Judgement(
                    relation="possibly" if entry.expected else "unlikely", beyond_list=False,
                    why="Began some hours after the capsule and went by itself; a short night explains it as well.",
                )  # fmt: skip
                entry = event_judge(entry=entry, judgement=view, actor=self.actor("clinician"))
                event_close(event=entry.event, password=PASSWORD, actor=self.actor("clinician"))
        return entry

    def fainted(self, person: Participant, at: datetime) -> None:
        """A faint on the way home and a night in hospital: care, pause, report, going on, closed a week later."""
        physician, lead = self.actor("clinician"), self.actor("lead")
        words = "Stood up quickly on the bus, saw black and fell. Woke at once. Taken to the town hospital to be watched."
        with clock.travel(at):
            entry = event_record(
                participant=person, source=AdverseEvent.Source.PHONE, aware_at=at - timedelta(minutes=10),
                event=said(
                    words, "faint", at - HOUR, grade=3, criteria=("hospital",), action="Watched overnight in hospital",
                    care_at=at - timedelta(minutes=30), care_where="Town hospital, emergency department",
                ),
                actor=physician,
            )  # fmt: skip
            care_status_record(
                event=entry.event, status="stable", source="Ward doctor, town hospital, by phone",
                obtained_at=at, actor=physician,
            )  # fmt: skip
        self._home_and_reported(entry, at + 15 * HOUR)
        with clock.travel(at + 16 * HOUR):
            news_decide(
                event=entry.event, needed=False, text="", password=PASSWORD, actor=physician,
                reason="The consent text names fainting and a night of watching; nothing is new for anybody.",
            )  # fmt: skip
        self._go_on(
            at + 18 * HOUR, "Known effect of the drug, full recovery, leave check unchanged."
        )
        with clock.travel(at + timedelta(days=3)):
            over = said(
                words, "faint", at - HOUR, at + 14 * HOUR, grade=3, criteria=("hospital",),
                action="Watched overnight in hospital", care_at=at - timedelta(minutes=30),
                care_where="Town hospital, emergency department",
            )  # fmt: skip
            event_add(
                entry=newest_entry(entry.event), aware_at=at + timedelta(days=2), event=over,
                note="Discharge letter read: no findings.", actor=physician,
            )  # fmt: skip
            view = Judgement(relation="related", beyond_list=False, why="Two hours after the capsule, on standing up.")  # fmt: skip
            event_judge(entry=newest_entry(entry.event), judgement=view, actor=physician)
            event_close(event=entry.event, password=PASSWORD, actor=physician)
        assert lead.user_id != physician.user_id

    def _home_and_reported(self, entry: EventEntry, at: datetime) -> None:
        with clock.travel(at):
            care_status_record(
                event=entry.event, status="home", source="The volunteer, and the ward's letter",
                obtained_at=at - timedelta(minutes=20), actor=self.actor("clinician"),
            )  # fmt: skip
            report = report_sent(
                subject=entry.event, rule="sponsor", part="first", sent_at=at - timedelta(minutes=5),
                how="Secure mail by the study lead", actor=self.actor("lead"),
            )  # fmt: skip
            report_received(report=report, receipt="SD-0041", received_at=at, actor=self.actor("lead"))  # fmt: skip

    def _go_on(self, at: datetime, why: str) -> None:
        """Both sign for every pause by a stopping rule."""
        for pause in DosingPause.objects.filter(study=self.lab.study, lifted_at=None, kind="rule"):
            for key, as_lead in (("clinician", False), ("lead", True)):
                pause.refresh_from_db()
                with clock.travel(at):
                    pause_sign(
                        pause=pause, as_lead=as_lead, reason=why, password=PASSWORD,
                        actor=self.actor(key),
                    )  # fmt: skip

    def told_this_morning(self, person: Participant, at: datetime) -> None:
        """A fall two weeks after the dose, heard of this morning: looked at, dosing goes on, the report still to be sent."""
        physician = self.actor("clinician")
        with clock.travel(at):
            entry = event_record(
                participant=person, source=AdverseEvent.Source.LATER, aware_at=at - timedelta(minutes=15),
                event=said(
                    "Slipped on a wet step at work last week, one night in hospital with a broken wrist.", "injury or fall",
                    at - timedelta(days=6), at - timedelta(days=5), grade=3, criteria=("hospital",),
                    started_known="day", ended_known="day", action="Wrist set in plaster", outcome="recovering",
                ),
                actor=physician,
            )  # fmt: skip
            view = Judgement(relation="not_related", beyond_list=False, why="Long after the capsule left the body; a wet step.")  # fmt: skip
            entry = event_judge(entry=entry, judgement=view, actor=physician)
        with clock.travel(at + HOUR / 2):
            news_decide(
                event=entry.event, needed=False, text="", password=PASSWORD, actor=physician,
                reason="An accident without any link to the capsule.",
            )  # fmt: skip
        self._go_on(at + HOUR / 2, "An accident long after the dose, no link to the capsule.")

    def deviations(self, person: Participant, other: Participant, at: datetime) -> None:
        """One closed, one explained, one that may be a serious breach and is not judged yet."""
        minor = Assessed(
            importance="minor", effect_person="None", effect_data="None: the rating does not depend on it.",
            corrective="The headphones are charged before each visit.", touches=False, breach=False,
        )  # fmt: skip
        with clock.travel(at - timedelta(days=20)):
            first = self._deviation(person, Deviation.Kind.STEP, "One caption was repeated because the sound stopped.", "visit 1, story")  # fmt: skip
            deviation_explain(
                deviation=first, explanation="The headphones were empty; exchanged within a minute.",
                actor=self.actor("experimenter"),
            )  # fmt: skip
            deviation_assess(deviation=first, assessed=minor, actor=self.actor("lead"))
        with clock.travel(at - timedelta(days=19)):
            deviation_close(deviation=first, password=PASSWORD, actor=self.actor("lead"))
        with clock.travel(at - timedelta(days=3)):
            second = self._deviation(other, Deviation.Kind.OTHER, "The room was 27 degrees during the ratings.", "visit 3")  # fmt: skip
            deviation_explain(
                deviation=second, explanation="The blind was stuck; the caretaker was called.",
                actor=self.actor("experimenter2"),
            )  # fmt: skip
        with clock.travel(at - timedelta(days=2)):
            third = self._deviation(
                other, Deviation.Kind.IDENTITY, "Reminded of the wrong picture set, of another volunteer, for a minute.",
                "visit 2, reminder", breach="maybe",
            )  # fmt: skip
            person_told(
                subject=third, told_at=clock.now() - HOUR, told_by="Experimenter on duty",
                wording="We showed you a picture that was meant for somebody else. It tells nothing about them or you.",
                actor=self.actor("experimenter2"),
            )  # fmt: skip

    def _deviation(
        self, person: Participant, kind: str, what: str, subject: str, breach: str = ""
    ) -> Deviation:
        return deviation_record(
            study=self.lab.study, participant=person, kind=kind, what=what, subject=subject, breach=breach,
            occurred_at=clock.now() - 2 * HOUR, actor=self.actor("experimenter2"),
        )  # fmt: skip
