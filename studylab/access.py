"""Who may do what: roles in a study, capabilities, and the table between them.

Pure apart from the error it raises. A view declares its capability with `requires`; a view that declares
none is refused by `studylab.people.middleware`. Services ask again with `require`, because tasks and
commands do not pass the middleware.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, TypeVar
from uuid import UUID, uuid4

from studylab.errors import NotAllowed

View = TypeVar("View", bound=Callable[..., Any])


class Role(StrEnum):
    """What a person is in one study. Order is the order of pages and lists."""

    COORDINATOR = "coordinator"
    CLINICIAN = "clinician"
    PHARMACIST = "pharmacist"
    EXPERIMENTER = "experimenter"
    LEAD = "lead"
    MONITOR = "monitor"


ROLE_NAMES = {
    Role.COORDINATOR: "Coordinator",
    Role.CLINICIAN: "Clinician (supervising physician)",
    Role.PHARMACIST: "Pharmacist",
    Role.EXPERIMENTER: "Experimenter",
    Role.LEAD: "Study lead",
    Role.MONITOR: "Monitor",
}
UNBLINDED_ROLES = frozenset({Role.PHARMACIST})
BLINDED_ROLES = frozenset(Role) - UNBLINDED_ROLES


class Cap(StrEnum):
    """One thing that may be done. The first three need no role in a study.

    LINK_HOLDER is held by whoever opened a personal link (a volunteer, never an account); no role has it.
    ACCOUNTS_MANAGE is held by an administrator of accounts, who holds no role in any study, and by nobody else.
    """

    ANYONE = "anyone"
    SIGNED_IN = "signed_in"
    LINK_HOLDER = "link_holder"
    STUDY_VIEW = "study_view"  # the study's name, protocol, commitment
    HOME_VIEW = "home_view"
    VOLUNTEER_VIEW = "volunteer_view"  # codes and where each person is on the path
    VOLUNTEER_ADD = "volunteer_add"
    CONTACT_VIEW = "contact_view"
    LINK_MAKE = "link_make"  # personal links for volunteers
    CONSENT_RECORD = "consent_record"
    RULES_VIEW = "rules_view"  # the whole table of screening rules
    HEALTH_VIEW = "health_view"  # answers, medicines, vitals, findings
    QUESTIONS_RECORD = "questions_record"
    VITALS_RECORD = "vitals_record"
    SIGN_OFF = "sign_off"
    TEACHING_VIEW = "teaching_view"  # textbook curves, for clinicians only and never about a person
    WITHDRAW = "withdraw"
    CALENDAR_VIEW = "calendar_view"
    SERIES_BOOK = "series_book"
    ABSENCE_RECORD = "absence_record"  # late and missing volunteers
    CAPACITY_VIEW = "capacity_view"
    NUMBER_ISSUE = "number_issue"
    TODAY_VIEW = "today_view"
    VISIT_RUN = "visit_run"
    HOLD_OPEN = "hold_open"
    HOLD_RELEASE = "hold_release"
    DEVIATION_RECORD = "deviation_record"
    DEVIATION_CLOSE = "deviation_close"
    EVENT_RECORD = "event_record"  # adverse events, and whether somebody was told
    EVENT_JUDGE = (
        "event_judge"  # cause, reading, closing, news of people in care, what others are told
    )
    REPORT_RECORD = "report_record"  # reports to sponsor, authority and ethics committee
    DOSING_RESUME = (
        "dosing_resume"  # the lead's signature after a pause; the physician's is event_judge
    )
    CONTACT_RECORD = "contact_record"  # next-day contact
    CODE_OPEN = "code_open"
    DATA_LOCK = "data_lock"  # declare the data locked, ask for the list to be opened
    UNBLIND_AGREE = "unblind_agree"
    GUESS_RECORD = "guess_record"
    ARM_TELL = "arm_tell"  # ask who wants to know their arm, and tell them once the list is open
    REVEALS_VIEW = "reveals_view"  # that a code was opened, by whom and why; never the arm
    LIST_MANAGE = "list_manage"
    DISPENSE = "dispense"
    LIMITS_CONFIRM = "limits_confirm"
    SETUP_VIEW = "setup_view"
    SETUP_EDIT = "setup_edit"
    MESSAGE_DECIDE = (
        "message_decide"  # messages to volunteers: seen, and decided about where one needs a person
    )
    WORDING_EDIT = "wording_edit"  # what messages to volunteers say and who they come from
    LAB_TIMES = "lab_times"  # holidays, shifts, calendar feeds of the lab
    PEOPLE_MANAGE = "people_manage"
    ACCESS_VIEW = "access_view"  # who has access to the study, and the reviews of that
    ACCOUNTS_MANAGE = "accounts_manage"  # accounts of the site; no role in a study has it
    DEVICE_MANAGE = "device_manage"  # tablets of the lab: naming, lock time, revoking
    RECORD_VIEW = "record_view"  # audit trail, exports that were made
    REVIEW_SIGN = "review_sign"  # planned reviews of data and trail, signed
    SITE_CARE = "site_care"  # how the site runs; checks of the whole record
    WORK_VIEW = "work_view"  # long work of the study, of the kinds that the role may see
    EXPORT_MAKE = "export_make"  # ask for an export of the study's data
    NOTICES_VIEW = "notices_view"  # red things of the blinded roles, and who has read them
    SAFETY_VIEW = "safety_view"
    PROGRESS_VIEW = "progress_view"  # flow, accrual, forecast: people counted, never named
    OBSERVERS_VIEW = "observers_view"  # how single people write readings down
    OBSERVERS_SIGN = "observers_sign"
    PAYMENTS = "payments"  # what volunteers are owed and were paid: seen and recorded
    POOLED_VIEW = "pooled_view"  # values before and after the dose, pooled over the arms


_EVERYBODY = frozenset({Cap.STUDY_VIEW, Cap.HOME_VIEW, Cap.SETUP_VIEW})
_CLINICAL_READ = frozenset(
    {Cap.VOLUNTEER_VIEW, Cap.HEALTH_VIEW, Cap.CALENDAR_VIEW, Cap.TODAY_VIEW, Cap.SAFETY_VIEW}
)
ROLE_CAPS: dict[Role, frozenset[Cap]] = {
    Role.COORDINATOR: _EVERYBODY
    | _CLINICAL_READ
    | {
        Cap.VOLUNTEER_ADD, Cap.CONTACT_VIEW, Cap.CONSENT_RECORD, Cap.QUESTIONS_RECORD, Cap.WITHDRAW,
        Cap.SERIES_BOOK, Cap.NUMBER_ISSUE, Cap.DEVIATION_RECORD, Cap.CONTACT_RECORD, Cap.HOLD_OPEN,
        Cap.LINK_MAKE, Cap.GUESS_RECORD, Cap.LAB_TIMES, Cap.EVENT_RECORD, Cap.REPORT_RECORD,
        Cap.ABSENCE_RECORD, Cap.CAPACITY_VIEW, Cap.PROGRESS_VIEW, Cap.DEVICE_MANAGE, Cap.PAYMENTS,
        Cap.WORDING_EDIT, Cap.MESSAGE_DECIDE, Cap.WORK_VIEW, Cap.ARM_TELL,
    },
    Role.CLINICIAN: _EVERYBODY
    | _CLINICAL_READ
    | {
        Cap.CONTACT_VIEW, Cap.CONSENT_RECORD, Cap.QUESTIONS_RECORD, Cap.VITALS_RECORD, Cap.SIGN_OFF,
        Cap.WITHDRAW, Cap.VISIT_RUN, Cap.HOLD_OPEN, Cap.HOLD_RELEASE, Cap.DEVIATION_RECORD,
        Cap.DEVIATION_CLOSE, Cap.CONTACT_RECORD, Cap.CODE_OPEN, Cap.REVEALS_VIEW,
        Cap.RULES_VIEW, Cap.LIMITS_CONFIRM, Cap.LINK_MAKE, Cap.GUESS_RECORD, Cap.UNBLIND_AGREE, Cap.TEACHING_VIEW,
        Cap.EVENT_RECORD, Cap.EVENT_JUDGE, Cap.REPORT_RECORD,
        Cap.ABSENCE_RECORD, Cap.PROGRESS_VIEW, Cap.WORK_VIEW, Cap.ARM_TELL,
    },
    Role.PHARMACIST: _EVERYBODY
    | {Cap.LIST_MANAGE, Cap.DISPENSE, Cap.REVEALS_VIEW, Cap.UNBLIND_AGREE},
    Role.EXPERIMENTER: _EVERYBODY
    | _CLINICAL_READ
    | {
        Cap.CONTACT_VIEW, Cap.CONSENT_RECORD, Cap.QUESTIONS_RECORD, Cap.VITALS_RECORD, Cap.VISIT_RUN,
        Cap.HOLD_OPEN, Cap.DEVIATION_RECORD, Cap.CONTACT_RECORD, Cap.LINK_MAKE, Cap.GUESS_RECORD,
        Cap.EVENT_RECORD,
        Cap.ABSENCE_RECORD,
    },
    Role.LEAD: _EVERYBODY
    | _CLINICAL_READ
    | {
        Cap.DEVIATION_RECORD, Cap.DEVIATION_CLOSE, Cap.SETUP_EDIT, Cap.LAB_TIMES, Cap.PEOPLE_MANAGE, Cap.ACCESS_VIEW, Cap.DEVICE_MANAGE, Cap.RECORD_VIEW,
        Cap.EXPORT_MAKE,
        Cap.RULES_VIEW,
        Cap.REVEALS_VIEW, Cap.DATA_LOCK, Cap.EVENT_RECORD, Cap.REPORT_RECORD, Cap.DOSING_RESUME,
        Cap.CAPACITY_VIEW, Cap.PROGRESS_VIEW, Cap.POOLED_VIEW, Cap.OBSERVERS_VIEW,
        Cap.OBSERVERS_SIGN, Cap.PAYMENTS, Cap.WORDING_EDIT, Cap.MESSAGE_DECIDE, Cap.NOTICES_VIEW,
        Cap.SITE_CARE, Cap.WORK_VIEW, Cap.REVIEW_SIGN,
    },
    Role.MONITOR: _EVERYBODY | _CLINICAL_READ | {Cap.NOTICES_VIEW, Cap.ACCESS_VIEW, Cap.WORK_VIEW, Cap.RECORD_VIEW, Cap.REVEALS_VIEW, Cap.RULES_VIEW, Cap.PROGRESS_VIEW, Cap.POOLED_VIEW, Cap.OBSERVERS_VIEW},
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Actor:
    """Who acts, in which study, as what. Built once per request, task or command.

    `device` is the name of the lab's tablet in hand, empty for any other browser. `accounts` marks an administrator
    of accounts.

    A volunteer who came by a personal link has `participant_id` and neither an account nor a role.
    """

    user_id: int | None
    label: str
    study_id: int | None = None
    roles: frozenset[Role] = frozenset()
    request_id: UUID = field(default_factory=uuid4)
    participant_id: int | None = None
    device: str = ""
    accounts: bool = False

    @property
    def caps(self) -> frozenset[Cap]:
        """Everything the actor's roles allow, or what the holder of a link may."""
        if self.participant_id is not None:
            return frozenset({Cap.LINK_HOLDER})
        own = {Cap.ACCOUNTS_MANAGE} if self.accounts else set()
        return frozenset(own).union(*(ROLE_CAPS[role] for role in self.roles))

    def may(self, cap: Cap) -> bool:
        """Whether the actor has `cap`."""
        return self.is_system or cap in self.caps

    @property
    def is_system(self) -> bool:
        """The house itself, for scheduled work: no user, no study of its own."""
        return self.user_id is None and self.participant_id is None

    @property
    def role_text(self) -> str:
        """Roles in words, for the trail."""
        if self.participant_id is not None:
            return "Volunteer"
        return ", ".join(ROLE_NAMES[role] for role in Role if role in self.roles)


def system_actor(job: str) -> Actor:
    """Return the actor for scheduled work called `job`. It can never sign."""
    return Actor(user_id=None, label=f"Studylab ({job})")


def require(actor: Actor, cap: Cap) -> None:
    """Raise NotAllowed unless the actor has `cap`."""
    if not actor.may(cap):
        raise NotAllowed("Your role in this study does not allow this.", code=cap.value)


def requires(cap: Cap) -> Callable[[View], View]:
    """Declare the capability of a view. For classes use `method_decorator(..., name="dispatch")`."""

    def mark(view: View) -> View:
        view.required_capability = cap  # type: ignore[attr-defined]
        return view

    return mark


def in_background(view: View) -> View:
    """Declare that a page asks for this by itself: it keeps nobody's tablet from locking."""
    view.is_background = True  # type: ignore[attr-defined]
    return view


def while_locked(view: View) -> View:
    """Declare a page that answers on a locked tablet as well: it shows and tells nothing about volunteers."""
    view.is_open_while_locked = True  # type: ignore[attr-defined]
    return view


def while_read_only(view: View) -> View:
    """Declare a page that takes its form while the site is read-only: coming in and out, and opening a code."""
    view.is_open_while_read_only = True  # type: ignore[attr-defined]
    return view


def open_to_kept_away(view: View) -> View:
    """Declare a page about one visit that staff kept away from the volunteer may open: care, or it refuses them itself."""
    view.is_open_to_kept_away = True  # type: ignore[attr-defined]
    return view


def for_revoked(view: View) -> View:
    """Declare the page by which a device that was revoked becomes an unknown browser again."""
    view.is_for_revoked = True  # type: ignore[attr-defined]
    return view


def link_page(purpose: str) -> Callable[[View], View]:
    """Declare a page for whoever holds an open personal link of this purpose, and for nobody else."""

    def mark(view: View) -> View:
        view.link_purpose = purpose  # type: ignore[attr-defined]
        return requires(Cap.LINK_HOLDER)(view)

    return mark


def link_door(view: View) -> View:
    """Declare a page at which a personal link is shown: open to anyone, guarded like the pages behind it."""
    view.is_link_door = True  # type: ignore[attr-defined]
    return requires(Cap.ANYONE)(view)
