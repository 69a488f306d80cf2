"""The study as data: what one protocol version says, as frozen values.

`studylab.studies.rules.loader.load_protocol` is the only maker of a `Protocol`; everything else reads it.
Durations are minutes unless a name says otherwise, pressures mmHg, pulse beats per minute.
"""

from dataclasses import dataclass, field
from datetime import timedelta
from typing import Literal, get_args

from studylab.studies.rules.limits import (
    AskedChecks,
    Band,
    CheckKind,
    EcgLimits,
    LeaveLimits,
    Limits,
    Measuring,
    PostDoseLimits,
    StandingLimits,
    VitalBands,
)  # fmt: skip
from studylab.studies.rules.message_plan import MessagePlan
from studylab.studies.rules.notices import NoticePlan
from studylab.studies.rules.payments import PaymentPlan
from studylab.studies.rules.progress import ProgressPlan
from studylab.studies.rules.retention import RetentionRule
from studylab.studies.rules.reviews import ReviewPlan
from studylab.studies.rules.safety import SafetyPlan
from studylab.studies.rules.session import TrialOrder, TrialType, WorkUp
from studylab.studies.rules.supply import FollowUp as FollowUp
from studylab.studies.rules.supply import Supply as Supply
from studylab.studies.rules.volunteer_texts import VolunteerTexts

__all__ = [
    "ALLOCATION_METHODS", "AskedChecks", "Band", "CheckKind",
    "EcgLimits", "FollowUp", "LeaveLimits", "Limits", "Measuring", "Need", "OpenFactor",
    "PostDoseLimits", "Protocol", "Question", "Replaced", "Segment", "Spacing",
    "StandingLimits", "Step", "StepKind", "Supply", "TrialOrder", "TrialType", "VisitPlan",
    "VitalBands", "VitalGate", "Wait", "WorkUp",
]  # fmt: skip

StepKind = Literal[
    "identity",  # two identifiers and the document seen; always the first step of a visit
    "tick",
    "choice",
    "number",
    "work_up",  # a level found in small steps with the volunteer's own ratings
    "text",
    "read_aloud",  # a passage the experimenter reads out, then ticks
    "questions",  # the dosing-day questions
    "vitals",  # a set of readings judged by the gate named in `gate`
    "timer",
    "label",
    "dose",
    "leave",  # the fit-to-leave check
]
VitalGate = Literal["screening", "pre_dose", "post_dose", "leave"]
# What becomes of a series when somebody is not there: the visit moves, all is booked anew, the path ends.
MissedRule = Literal["shift", "restart", "close"]
AllocationMethod = Literal["permuted_blocks", "big_stick", "minimisation", "simple"]
Replaced = Literal["never", "before_dose", "always"]
ALLOCATION_METHODS: tuple[AllocationMethod, ...] = get_args(AllocationMethod)


@dataclass(frozen=True, slots=True)
class Need:
    """Something a segment occupies: `kind` names a resource kind, `count` how many places of it."""

    kind: str
    count: int = 1


@dataclass(frozen=True, slots=True)
class Segment:
    """A part of a visit in which the same things are needed throughout."""

    key: str
    name: str
    minutes: int
    needs: tuple[Need, ...] = ()


@dataclass(frozen=True, slots=True)
class Step:
    """One row of a visit's checklist, in the order in which it is worked through."""

    key: str
    kind: StepKind
    text: str
    unit: str = ""
    minimum: float | None = None
    maximum: float | None = None
    call_below: float | None = (
        None  # below it a physician is called; told once the value stands, never beside the field
    )
    options: tuple[str, ...] = ()
    gate: VitalGate | None = None
    minutes: int | None = None
    after_dose_minutes: int | None = (
        None  # when it is due, counted from the dose; None where it has no time
    )
    segment: str = ""  # key of the segment in which it is planned; the dose step always has it
    work_up: WorkUp | None = None
    trials: str = ""  # key of the visit's order of trials that is run at this step
    of: str = ""  # kind of resource whose label is read, for example "sensor set"
    returns: str = ""  # key of the label step whose thing goes back at this step
    carry: bool = False  # the value found here is shown, locked, on later visits
    shows: str = ""  # key of an open allocation factor or of a carried value shown with this step
    required: bool = True
    rater: bool = False  # recorded by somebody who has not seen values from after the dose


@dataclass(frozen=True, slots=True)
class VisitPlan:
    """One visit: `key` is used in anchors ("visit2.start"), `number` is shown to people."""

    key: str
    number: int
    title: str
    segments: tuple[Segment, ...]
    steps: tuple[Step, ...]
    payment: float = 0.0
    trial_orders: tuple[TrialOrder, ...] = ()
    if_missed: MissedRule = "shift"

    @property
    def minutes(self) -> int:
        """Planned length, the sum of the segments."""
        return sum(segment.minutes for segment in self.segments)

    @property
    def is_dosing(self) -> bool:
        """Whether the visit has a dose step."""
        return any(step.kind == "dose" for step in self.steps)

    @property
    def planned_dose_minutes(self) -> int | None:
        """Minutes from the planned start to the planned dose, the start of the dose step's segment."""
        dose = next((step for step in self.steps if step.kind == "dose"), None)
        if dose is None:
            return None
        minutes = 0
        for segment in self.segments:
            if segment.key == dose.segment:
                return minutes
            minutes += segment.minutes
        raise KeyError(dose.segment)

    def step(self, key: str) -> Step:
        """Return the step called `key`; KeyError when the visit has none."""
        for step in self.steps:
            if step.key == key:
                return step
        raise KeyError(key)


@dataclass(frozen=True, slots=True)
class Spacing:
    """Elapsed time allowed between two anchors, for example "visit1.start" and "visit2.start"."""

    start: str
    end: str
    earliest: timedelta
    target: timedelta
    latest: timedelta


@dataclass(frozen=True, slots=True)
class Wait:
    """The time that must pass after step `after` of a visit before step `before` of it."""

    visit: str
    after: str
    before: str
    length: timedelta
    tolerance: timedelta  # how much later than `length` still counts as on time


@dataclass(frozen=True, slots=True)
class Question:
    """A question the study adds to the house's own."""

    id: str
    text: str
    concept: str
    disposition: Literal["exclude", "physician", "hold", "note"]
    reason: str
    source: str
    when: Literal["screening", "dosing_day"] = "screening"
    flag_on: Literal["yes", "no"] = "yes"
    text_fr: str = ""  # Canadian French, for studies that offer it


@dataclass(frozen=True, slots=True)
class Arm:
    """One concealed arm. Never put into a page, an export or a log outside `allocation`."""

    key: str
    name: str
    ratio: int = 1


@dataclass(frozen=True, slots=True)
class OpenFactor:
    """A factor balanced within the concealed arms but shown to those who need it."""

    key: str
    name: str
    levels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AllocationPlan:
    """What the list must keep. `strata` are names of answers (for example "sex"), the factors of minimisation.

    Without `method` the pharmacist chooses one. `block_sizes` are a proposal at most: everybody can read the
    document, so the sizes that count are chosen when the list is sealed.
    """

    arms: tuple[Arm, ...]
    length: int
    strata: dict[str, tuple[str, ...]] = field(default_factory=dict)
    open_factors: tuple[OpenFactor, ...] = ()
    method: AllocationMethod | None = None
    block_sizes: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Protocol:
    """One protocol version."""

    slug: str
    title: str
    short_title: str
    summary: str
    timezone: str
    country: str
    subdivision: str
    emergency_number: str
    phone_24h: str
    target: int
    consent_version: str
    substance: str
    visits: tuple[VisitPlan, ...]
    spacings: tuple[Spacing, ...]
    waits: tuple[Wait, ...]
    turnaround: dict[str, int]  # minutes per resource kind
    limits: Limits
    questions: tuple[Question, ...]
    allocation: AllocationPlan
    supply: Supply
    follow_up: FollowUp
    safety: SafetyPlan
    currency: str
    replaced: Replaced = "before_dose"  # which people with a number are replaced when they leave
    progress: ProgressPlan = field(default_factory=ProgressPlan)
    texts: VolunteerTexts = field(default_factory=VolunteerTexts)
    messages: MessagePlan = field(default_factory=MessagePlan)
    payments: PaymentPlan = field(default_factory=PaymentPlan)
    retention: tuple[RetentionRule, ...] = ()
    reviews: tuple[ReviewPlan, ...] = ()
    notices: NoticePlan = field(default_factory=NoticePlan)

    def visit(self, number: int) -> VisitPlan:
        """Return visit `number`; KeyError when there is none."""
        for visit in self.visits:
            if visit.number == number:
                return visit
        raise KeyError(number)

    @property
    def dosing_visit(self) -> VisitPlan:
        """The visit with the dose step."""
        return next(visit for visit in self.visits if visit.is_dosing)

    @property
    def dose_wait(self) -> Wait:
        """The wait that follows the dose."""
        plan = self.dosing_visit
        dose = next(step.key for step in plan.steps if step.kind == "dose")
        return next(w for w in self.waits if w.visit == plan.key and w.after == dose)
