"""Where one volunteer is on the path, and who does what next.

One pure function over facts that every stage has concluded already. Missing is never a pass: what is not
known to be done is still to do. `why` says nothing about health, since everybody who sees the list reads it.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, get_args

ENQUIRY = "enquiry"
QUESTIONS = "questions"
ASSESSMENT = "assessment"
CONSENT = "consent"
VITALS = "vitals"
SIGN_OFF = "sign_off"
BOOKING = "booking"
NUMBER = "number"
VISIT_1 = "visit_1"
VISIT_2 = "visit_2"
CONTACT = "contact"
VISIT_3 = "visit_3"
COMPLETED = "completed"
ON_HOLD = "on_hold"
SCREENED_OUT = "screened_out"
WITHDRAWN = "withdrawn"
LOST = "lost"
STAGES = (
    ENQUIRY, QUESTIONS, ASSESSMENT, CONSENT, VITALS, SIGN_OFF, BOOKING, NUMBER, VISIT_1, VISIT_2,
    CONTACT, VISIT_3, COMPLETED, ON_HOLD, SCREENED_OUT, WITHDRAWN, LOST,
)  # fmt: skip

Outcome = Literal["none", "clear", "physician", "hold", "exclude", "cannot_decide"]
SignOffState = Literal["none", "eligible", "not_eligible", "needs_more", "lapsed", "void"]
SeriesState = Literal["none", "booked", "running", "done", "closed"]
Status = Literal["active", "screened_out", "withdrawn", "lost", "completed"]
VisitState = Literal["booked", "running", "done", "missed", "stopped", "cancelled"]

# Who acts next, named as the roles are.
COORDINATOR = "coordinator"
CLINICIAN = "clinician"
EXPERIMENTER = "experimenter"
LEAD = "lead"
NOBODY = ""


@dataclass(frozen=True, slots=True)
class PathFacts:
    """What is known of one volunteer.

    `visits` are (number, state) of the current series; `dosing_visit` is the number of the visit with the
    dose. `follow_up_due` means that the time for the contact after the dose has begun.
    """

    agreed_to_questions: bool = False
    questionnaire_done: bool = False
    assessment_outcome: Outcome = "none"
    study_consent: bool = False
    screening_vitals_done: bool = False
    sign_off: SignOffState = "none"
    series: SeriesState = "none"
    number_issued: bool = False
    visits: tuple[tuple[int, VisitState], ...] = ()
    dosed: bool = False
    follow_up_due: bool = False
    follow_up_done: bool = False
    status: Status = "active"
    open_holds: int = 0
    dosing_visit: int = 2

    def __post_init__(self) -> None:
        _known("assessment_outcome", self.assessment_outcome, Outcome)
        _known("sign_off", self.sign_off, SignOffState)
        _known("series", self.series, SeriesState)
        _known("status", self.status, Status)
        for number, state in self.visits:
            _known(f"visits[{number}]", state, VisitState)

    @property
    def contact_open(self) -> bool:
        """Whether a dosed volunteer has not been spoken to since."""
        return self.dosed and not self.follow_up_done

    @property
    def visit_running(self) -> bool:
        """Whether the volunteer is in a visit now."""
        return any(state == "running" for _, state in self.visits)


@dataclass(frozen=True, slots=True)
class PathStep:
    """The stage, what is to be done next, which role does it ("" for nobody), and why it comes next."""

    stage: str
    title: str
    who: str
    why: str


def next_step(facts: PathFacts) -> PathStep:
    """Return where the volunteer stands and who does what next."""
    if facts.status != "active":
        return _ended(facts)
    for part in (_urgent, _screening, _deciding, _preparing, _visiting):
        for step in part(facts):
            return step
    return PathStep(
        COMPLETED, "Close the record as completed", COORDINATOR,
        "Every visit and the contact after the dose are done.",
    )  # fmt: skip


def _ended(facts: PathFacts) -> PathStep:
    words = {
        "screened_out": "Taken no further in screening.",
        "withdrawn": "Withdrawn from the study.",
        "lost": "Lost to contact.",
        "completed": "Every part of the study is done.",
    }
    if facts.contact_open:  # leaving the study does not end the duty to ask after a dose
        return PathStep(
            facts.status, "Make the contact after the dose", EXPERIMENTER,
            f"{words[facts.status]} A dose was given and nobody has been reached since.",
        )  # fmt: skip
    return PathStep(facts.status, "Nothing more to do", NOBODY, words[facts.status])


def _urgent(facts: PathFacts) -> Iterator[PathStep]:
    """The contact that is due comes before everything but a visit under way; then holds."""
    held = facts.open_holds > 0
    if facts.contact_open and facts.follow_up_due and not facts.visit_running:
        yield PathStep(
            CONTACT, "Make the contact after the dose", EXPERIMENTER,
            "The time for it has begun." + (" The volunteer is also on hold." if held else ""),
        )  # fmt: skip
    if held:
        count = "A hold is" if facts.open_holds == 1 else f"{facts.open_holds} holds are"
        yield PathStep(ON_HOLD, "Release the hold or stop", CLINICIAN, f"{count} open.")


def _screening(facts: PathFacts) -> Iterator[PathStep]:
    if not facts.agreed_to_questions:
        yield PathStep(
            ENQUIRY, "Ask for agreement to the health questions", COORDINATOR,
            "Nothing about a person's health is recorded before that.",
        )  # fmt: skip
    if not facts.questionnaire_done:
        yield PathStep(
            QUESTIONS, "Have the questionnaire filled in", COORDINATOR,
            "Questions are open, and an open question is never a pass.",
        )  # fmt: skip
    if facts.assessment_outcome == "none":
        yield PathStep(
            ASSESSMENT,
            "Run the assessment",
            COORDINATOR,
            "The answers are complete and not yet assessed.",
        )


def _deciding(facts: PathFacts) -> Iterator[PathStep]:
    """Consent, vitals and the physician's decision; past the dose only the consent still matters."""
    if not facts.dosed:
        yield from _refusing(facts)
    if not facts.study_consent:
        yield PathStep(
            CONSENT, "Take informed consent to the study", COORDINATOR,
            "No consent to the current text is on record.",
        )  # fmt: skip
    if facts.dosed:
        return
    if not facts.screening_vitals_done:
        yield PathStep(
            VITALS,
            "Take the screening vitals",
            EXPERIMENTER,
            "No complete set of readings is on record.",
        )
    yield from _signing(facts)


def _refusing(facts: PathFacts) -> Iterator[PathStep]:
    if facts.sign_off == "not_eligible":
        yield PathStep(
            SIGN_OFF, "Tell the volunteer and record as screened out", COORDINATOR,
            "The physician signed not eligible.",
        )  # fmt: skip
    if facts.assessment_outcome == "exclude":
        yield PathStep(
            SIGN_OFF, "Countersign the result of screening", CLINICIAN,
            "The rules propose not to go on; a physician decides.",
        )  # fmt: skip


def _signing(facts: PathFacts) -> Iterator[PathStep]:
    if facts.sign_off == "needs_more":
        yield PathStep(
            SIGN_OFF, "Bring what the physician asked for", COORDINATOR,
            "The physician cannot decide on what is there.",
        )  # fmt: skip
    elif facts.assessment_outcome == "cannot_decide":
        yield PathStep(
            SIGN_OFF, "Supply what the assessment lacks", COORDINATOR,
            "Something is missing, and missing is never a pass.",
        )  # fmt: skip
    elif facts.sign_off != "eligible":
        why = {
            "none": "Everything is there for the physician's decision.",
            "lapsed": "The sign-off is no longer valid: its time ran out.",
            "void": "The sign-off is void: what was signed has changed since.",
        }
        yield PathStep(SIGN_OFF, "Decide and sign", CLINICIAN, why[facts.sign_off])
    elif facts.assessment_outcome == "hold":
        yield PathStep(
            SIGN_OFF,
            "Decide and sign",
            CLINICIAN,
            "The assessment says to wait; a physician decides.",
        )


def _preparing(facts: PathFacts) -> Iterator[PathStep]:
    if facts.series == "closed":
        yield PathStep(
            BOOKING, "Record the end of the participation", COORDINATOR,
            "The study's rule closed the series: no other one is booked.",
        )  # fmt: skip
    standing = [state for _, state in facts.visits if state != "cancelled"]
    if facts.series == "none" or not standing:
        yield PathStep(
            BOOKING,
            "Book the series",
            COORDINATOR,
            "The volunteer is signed eligible and not booked.",
        )
    if not facts.number_issued:
        yield PathStep(
            NUMBER, "Issue the allocation number", COORDINATOR,
            "The series is booked and no number is issued yet.",
        )  # fmt: skip


def _visiting(facts: PathFacts) -> Iterator[PathStep]:
    """The first visit that is not done; a dosing visit that ended without a dose needs a decision."""
    for number, state in sorted(facts.visits):
        after_dosing = number > facts.dosing_visit
        if after_dosing and not facts.dosed:
            yield _undosed(facts)
        if after_dosing and facts.contact_open and state != "running":
            yield PathStep(
                CONTACT, "Contact the volunteer when the time comes", EXPERIMENTER,
                "The contact after the dose is not due yet.",
            )  # fmt: skip
        if state != "done":
            yield _visit(facts, number, state)
    if not facts.dosed:
        yield _undosed(facts)
    if facts.contact_open:
        yield PathStep(
            CONTACT, "Make the contact after the dose", EXPERIMENTER,
            "All visits are done and nobody has been reached after the dose.",
        )  # fmt: skip


def _undosed(facts: PathFacts) -> PathStep:
    return PathStep(
        f"visit_{facts.dosing_visit}", "Decide how to go on without a dose", LEAD,
        "The dosing visit is over and no dose is on record.",
    )  # fmt: skip


def _visit(facts: PathFacts, number: int, state: VisitState) -> PathStep:
    stage = f"visit_{number}"
    late = " The contact after the dose is still open." if facts.contact_open else ""
    acts = {
        "booked": ("Start visit {}", EXPERIMENTER, "It is booked and comes next."),
        "running": ("Go on with visit {}", EXPERIMENTER, "It is under way."),
        "missed": ("Book visit {} again or close", COORDINATOR, "The volunteer was not there."),
        "stopped": ("Decide how to go on after visit {}", LEAD, "The visit was stopped early."),
        "cancelled": ("Book visit {} again or close", COORDINATOR, "The visit is cancelled."),
    }
    title, who, why = acts[state]
    return PathStep(stage, title.format(number), who, why + late)


def _known(field: str, value: str, choices: object) -> None:
    if value not in get_args(choices):
        known = ", ".join(get_args(choices))
        raise ValueError(f"{field} is {value!r}, but must be one of {known}.")
