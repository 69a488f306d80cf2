"""Which tables are copied, in the order in which their guards let rows in, and what differs in a copy."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from django.db.models import Model, Q

from scheduling.models import (
    AfterContact,
    Booking,
    Dose,
    Payment,
    Series,
    Staying,
    StepRecord,
    Talk,
    Visit,
    Waiting,
    WalletCard,
)
from screening.models import (
    AnswerSet,
    Assessment,
    Check,
    ContactNote,
    EcgReading,
    SelfReport,
    SelfReportEntry,
    SignOff,
    Timing,
    VitalReading,
    VitalSet,
)
from studylab.allocation.models import Guess
from studylab.audit.models import Event
from studylab.outbox.models import Attempt, AttemptEnd, Message
from studylab.participants.models import (
    AdverseEvent,
    Consent,
    Deviation,
    EventEntry,
    EventReading,
    Hold,
    LeavingWish,
    Participant,
    Person,
)
from studylab.people.models import Signature

_AT_SCREENING = (
    "EXISTS (SELECT 1 FROM screening_vitalset s WHERE s.id = t.set_id AND s.gate = 'screening')"
)
GONE = "Never came back to us."  # who was still on the path long ago


@dataclass(frozen=True)
class Copied:
    """A table whose rows are copied: how a row leads to its volunteer, which rows, and what stands in other columns.

    In SQL `t` is the row of the story, `g` the group that it is copied into, and `p` the volunteer who gets it.
    """

    model: type[Model]
    owner: str = "participant_id"
    only: Q = field(default_factory=Q)
    columns: Mapping[str, str] = field(default_factory=dict)
    where: str = "true"


_KEYED = "md5({} || g.key)::uuid::text"
_IS_UID = "'^[0-9a-f]{8}-[0-9a-f]{4}-'"
_HARMLESS = ~Q(
    entries__criteria__len__gt=0
)  # a serious one is reported by its clocks: too old in a copy

WHO = (
    Copied(Person, "participations"),
    Copied(
        Participant,
        "id",
        columns={
            "code": "p.code", "serial": "p.serial",
            "status": "CASE WHEN p.gone THEN 'lost' ELSE t.status END",
            "status_reason": f"CASE WHEN p.gone THEN '{GONE}' ELSE t.status_reason END",
            "status_at": "CASE WHEN p.gone THEN t.added_at - g.days * interval '1 day' + interval '40 days' "
            "ELSE t.status_at - g.days * interval '1 day' END",
        },
    ),
    Copied(Consent),
)  # fmt: skip

# Up to here no row holds a hash of others; then come digests, signatures, and what is signed.
MEASURED = (
    Copied(AnswerSet),
    # Its entries come while it is open; it is sent afterwards.
    Copied(SelfReport, columns={"sent_at": "NULL::timestamptz", "answer_set_id": "NULL::bigint"}),
    Copied(SelfReportEntry),
    Copied(Timing),
    Copied(VitalSet, where="t.gate = 'screening'"),
    Copied(VitalReading, "set__participant_id", where=_AT_SCREENING),
    Copied(Check),
    Copied(EcgReading, "check_row__participant_id"),
    Copied(ContactNote),
)
SIGNED = (
    Copied(
        Assessment,
        columns={
            "inputs_digest": "CASE WHEN t.id = p.newest THEN COALESCE(p.digest, t.inputs_digest) "
            "ELSE t.inputs_digest END"
        },
        where="t.gate = 'screening'",
    ),
    Copied(SignOff),
    Copied(Series),
    Copied(Deviation, where="g.live"),
    Copied(Visit),
    Copied(Booking, "visit__participant_id", columns={"place_id": "{place}"}),
    Copied(Waiting, where="NOT p.gone"),
    Copied(Talk),
)
# After numbers and kits.
DOSED = (
    Copied(Staying),
    Copied(StepRecord),
    Copied(Dose, columns={"kit_id": "p.kit_id"}),
    Copied(VitalSet, where="t.gate <> 'screening'"),
    Copied(VitalReading, "set__participant_id", where=f"NOT {_AT_SCREENING}"),
    Copied(Assessment, where="t.gate <> 'screening'"),
    Copied(AfterContact),
    Copied(Hold, where="g.live"),
    Copied(AdverseEvent, only=_HARMLESS, where="g.live OR t.state = 'closed'"),
    Copied(EventEntry, "event__participant_id", only=~Q(event__entries__criteria__len__gt=0)),
    Copied(
        EventReading,
        "entry__event__participant_id",
        only=~Q(entry__event__entries__criteria__len__gt=0),
    ),
    Copied(Guess),
    Copied(Payment),
    Copied(WalletCard),
    Copied(LeavingWish),
    Copied(
        Message,
        columns={
            "about": "CASE WHEN t.about ~ '^visit:\\d+$' THEN 'visit:' || {visit} ELSE t.about END",
            "key": "CASE WHEN t.key ~ '^visit:\\d+:' "
            "THEN regexp_replace(t.key, '^visit:\\d+', 'visit:' || {visit}) ELSE t.key || g.key END",
        },
    ),
    Copied(Attempt, "message__participant_id"),
    Copied(AttemptEnd, "attempt__message__participant_id"),
)
TRAIL = Copied(
    Event,
    "",
    columns={
        "participant_code": "p.code",
        "subject_code": f"CASE WHEN t.subject_code = t.participant_code THEN p.code "
        f"WHEN t.subject_code ~ {_IS_UID} THEN {_KEYED.format('t.subject_code')} "
        "WHEN t.subject_type = 'allocation_number' THEN COALESCE(p.number, t.subject_code) "
        "WHEN t.subject_type = 'kit' THEN COALESCE(p.kit_number, t.subject_code) "
        "WHEN t.subject_type = 'assessment' THEN COALESCE({assessment}::text, t.subject_code) "
        "ELSE t.subject_code END",
        "study_id": "g.study_id",
    },
)
NAMED = Copied(Signature, "")  # their ids are mapped; the rows are signed anew
