"""What the dose gate looks at, gathered before it is asked.

None always means "not known", which never opens the gate. Instants carry a time zone.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Literal

from screening.rules.checks import CheckOutcome
from screening.rules.gate_safety import SafetyFact
from screening.rules.medicines import Washout
from screening.rules.notes import OpenNote
from screening.rules.vitals import Undecided, VitalDecision
from studylab.studies.rules.protocol import CheckKind

ValueOutcomeWord = Literal["pass", "review", "outside"]
QuestionsOutcome = Literal["clear", "released", "hold", "undecided"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GateRules:
    """What the protocol version says: `wait` follows the dose, `earlier_visits` must be finished.

    `pre_dose_valid_minutes` is how old the pre-dose readings may be; `zone` tells which day is today.
    """

    pre_dose_valid_minutes: int
    wait: timedelta
    earlier_visits: tuple[int, ...]
    zone: tzinfo


@dataclass(frozen=True, slots=True, kw_only=True)
class ConsentFact:
    """The newest consent of the person."""

    version: str | None
    current_version: str | None  # the version that people must have signed by now
    signed_at: datetime | None
    withdrawn: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SignOffFact:
    """The newest sign-off: what was signed (`signed_digest`) and what the same inputs say now."""

    eligible: bool | None
    valid_until: datetime | None  # from this instant on it no longer counts
    signed_digest: str | None
    current_digest: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class QuestionsFact:
    """The dosing-day questions; `problems` say in words what was flagged or not answered.

    "released": something was flagged and a physician has signed that it does not stand in the way.
    """

    outcome: QuestionsOutcome | None
    answered_at: datetime | None
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueOutcome:
    """How one decision value met the limits; `measure` is "systolic", "diastolic" or "pulse"."""

    measure: str
    outcome: ValueOutcomeWord | None
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckFact:
    """How one check besides the readings stands; outcome None: not taken."""

    kind: CheckKind
    outcome: CheckOutcome | None
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PreDoseFact:
    """The newest pre-dose set: `taken_at` is its last reading, None where a clock that nobody compared told it;
    `released` means a signed release of this set.

    `outcomes` also hold values of earlier sets of the visit that rule out a dose.
    """

    decision: VitalDecision | Undecided | None
    taken_at: datetime | None
    outcomes: tuple[ValueOutcome, ...] | None
    released: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class KitFact:
    """The kit on the table. `for_number` is the allocation number that it was dispensed for."""

    number: str | None
    for_number: str | None
    usable_until: datetime | None  # from this instant on it is expired
    quarantined: bool | None
    dispensed: bool | None
    scanned_matches: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CoverFact:
    """The physician on site who counts: there now, and until when.

    `unpractised` names those on site who could not be trusted to open a code within a minute: their practice
    is missing, too old, or older than a change of telephone numbers, text or key.
    """

    present: bool | None
    until: datetime | None
    said_at: datetime | None  # when that physician last said so
    unpractised: tuple[str, ...] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class GateFacts:
    """Everything that decides whether the dose may be given now."""

    limits_confirmed: bool | None
    dosing_paused: bool | None  # for the whole study
    participant_active: bool | None
    identity_confirmed: bool | None  # at this visit
    already_dosed: bool | None  # in this series
    consent: ConsentFact | None
    sign_off: SignOffFact | None
    allocation_number: str | None
    questions: QuestionsFact | None
    pre_dose: PreDoseFact | None
    checks: tuple[CheckFact, ...] | None  # besides the readings, as the study asks before the dose
    earlier_visits_finished: tuple[tuple[int, bool | None], ...] | None
    spacing_problems: tuple[str, ...] | None  # those without a recorded deviation
    washouts: tuple[Washout, ...] | None  # medicines that the dose has to wait for
    notes_open: tuple[OpenNote, ...] | None  # notes that name a medicine nobody listed since
    kit: KitFact | None
    cover: CoverFact | None
    rescue_kit_ready: bool | None  # looked through today, complete
    somebody_stays: bool | None  # said at this visit to be with the volunteer
    open_holds: tuple[str, ...] | None
    safety: SafetyFact | None  # of the whole study
