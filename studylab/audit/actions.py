"""Every action the trail knows, with the sentence it reads as. One list, no free text."""

from enum import StrEnum, unique


@unique
class Action(StrEnum):
    """Names are stable once written; sentences may be improved."""

    SIGNED_IN = "person.signed_in"
    SIGN_IN_REFUSED = "person.sign_in_refused"
    SIGNED_OUT = "person.signed_out"
    PASSWORD_CHANGED = "person.password_changed"  # noqa: S105  (an action)
    STARTING_PASSWORD_GIVEN = "person.starting_password_given"  # noqa: S105  (an action)
    DEVICE_ENROLLED = "device.enrolled"
    DEVICE_CHANGED = "device.changed"
    DEVICE_UNLOCKED = "device.unlocked"
    DEVICE_REVOKED = "device.revoked"
    USER_ADDED = "person.added"
    ROLE_GRANTED = "person.role_granted"
    ROLE_ENDED = "person.role_ended"
    SIGNATURE_GIVEN = "signature.given"
    SIGNATURE_REFUSED = "signature.refused"
    STUDY_CREATED = "study.created"
    PROTOCOL_ADDED = "protocol.added"
    LIMITS_CONFIRMED = "protocol.limits_confirmed"
    STUDY_STATE_CHANGED = "study.state_changed"
    VOLUNTEER_ADDED = "volunteer.added"
    DUPLICATE_OVERRULED = "volunteer.duplicate_overruled"
    CONTACT_CHANGED = "volunteer.contact_changed"
    CONTACT_ERASED = "volunteer.contact_erased"
    CONTACT_READ = "volunteer.contact_read"
    STAGE_CHANGED = "volunteer.stage_changed"
    CONSENT_RECORDED = "consent.recorded"
    CONSENT_CORRECTED = "consent.corrected"
    LINK_MADE = "link.made"
    LINK_REVOKED = "link.revoked"
    LINK_OPENED = "link.opened"
    LINK_REFUSED = "link.refused"
    LANGUAGE_CHOSEN = "volunteer.language_chosen"
    VOLUNTEER_WITHDRAWN = "volunteer.withdrawn"
    VOLUNTEER_SCREENED_OUT = "volunteer.screened_out"
    VOLUNTEER_LOST = "volunteer.lost"
    VOLUNTEER_COMPLETED = "volunteer.completed"
    HOLD_OPENED = "hold.opened"
    HOLD_RELEASED = "hold.released"
    DEVIATION_RECORDED = "deviation.recorded"
    DEVIATION_EXPLAINED = "deviation.explained"
    DEVIATION_CLOSED = "deviation.closed"
    DEVIATION_ASSESSED = "deviation.assessed"
    EVENT_RECORDED = "event.recorded"
    EVENT_ADDED_TO = "event.added_to"
    EVENT_CORRECTED = "event.corrected"
    EVENT_JUDGED = "event.judged"
    EVENT_READ = "event.read"
    EVENT_CLOSED = "event.closed"
    CARE_STATUS_RECORDED = "event.care_status"
    DOSING_PAUSED = "dosing.paused"
    DOSING_PAUSE_SIGNED = "dosing.pause_signed"
    DOSING_RESUMED = "dosing.resumed"
    NEWS_APPROVED = "news.approved"
    NEWS_ANSWERED = "news.answered"
    REPORT_SENT = "report.sent"
    REPORT_RECEIVED = "report.received"
    PERSON_TOLD = "told.recorded"
    ANSWERS_RECORDED = "answers.recorded"
    SELF_REPORT_BEGUN = "self_report.begun"
    SELF_REPORT_SENT = "self_report.sent"
    VITALS_RECORDED = "vitals.recorded"
    VITALS_CORRECTED = "vitals.corrected"
    STAFF_PHONE_SET = "person.phone_set"
    DRAFT_BEGUN = "vitals.draft_begun"
    DRAFT_TAKEN_OVER = "vitals.draft_taken_over"
    DRAFT_DROPPED = "vitals.draft_dropped"
    CHECK_RECORDED = "check.recorded"
    CHECK_CORRECTED = "check.corrected"
    ECG_READ = "ecg.read"
    ASSESSED = "assessment.made"
    RULES_RUN = "assessment.everybody"
    SIGNED_OFF = "sign_off.given"
    REQUEST_ANSWERED = "sign_off.request_answered"
    WALLET_CARD_HANDED = "volunteer.wallet_card_handed"
    PAYMENT_RECORDED = "payment.recorded"
    PAYMENT_CORRECTED = "payment.corrected"
    SENT_HOME_RECORDED = "payment.sent_home"
    SENT_HOME_TAKEN_BACK = "payment.sent_home_taken_back"
    NOTE_RECORDED = "volunteer.note_recorded"
    NOTE_ANSWERED = "volunteer.note_answered"
    RELATION_DECIDED = "volunteer.relation_decided"
    ACQUAINTANCE_DECIDED = "volunteer.acquaintance_decided"
    SERIES_BOOKED = "series.booked"
    VISIT_MOVED = "visit.moved"
    SERIES_CANCELLED = "series.cancelled"
    VISIT_STATE_CHANGED = "visit.state_changed"
    CHANGE_UNDONE = "series.change_undone"
    TALK_RECORDED = "series.talk_recorded"
    WAITING_NOTED = "waiting.noted"
    WAITING_ENDED = "waiting.ended"
    OFFER_MADE = "waiting.offered"
    PLAN_ASKED = "plan.asked"
    PLAN_STOPPED = "plan.stopped"
    PLAN_DECIDED = "plan.decided"
    AVAILABILITY_NOTED = "availability.noted"
    OPTION_HELD = "option.held"
    OPTION_RELEASED = "option.released"
    STEP_RECORDED = "step.recorded"
    STEP_CORRECTED = "step.corrected"
    DOSE_GIVEN = "dose.given"
    DOSE_REFUSED = "dose.refused"
    DOSE_CORRECTED = "dose.corrected"
    LEAVE_REFUSED = "leave.refused"
    CONTACT_RECORDED = "contact.recorded"
    RESOURCE_CHANGED = "resource.changed"
    FEED_MADE = "feed.made"
    FEED_REVOKED = "feed.revoked"
    COVER_RECORDED = "cover.recorded"
    RESCUE_KIT_CHECKED = "rescue_kit.checked"
    STAYING_RECORDED = "staying.recorded"
    LOOKED_UP = "volunteer.looked_up"
    LIST_SEALED = "list.sealed"
    NUMBER_ISSUED = "number.issued"
    KITS_RECEIVED = "kits.received"
    KIT_MOVED = "kit.moved"
    KIT_REFUSED = "kit.refused"
    BATCH_CHECKED = "kits.batch_checked"
    EXCURSION_RECORDED = "kits.excursion_recorded"
    EXCURSION_DECIDED = "kits.excursion_decided"
    STOCK_COUNTED = "kits.counted"
    CODE_OPENED = "code.opened"
    CODE_PRACTISED = "code.practised"
    CARD_PRINTED = "card.printed"
    CARD_SETTLED = "card.settled"
    ARM_LEARNT = "arm.learnt"
    VALUES_SEEN = "values.seen"
    OBSERVER_LOOKED_AT = "observer.looked_at"
    POOLED_SEEN = "values.pooled_seen"
    GUESS_RECORDED = "guess.recorded"
    DATA_LOCKED = "data.locked"
    UNBLINDING_ASKED = "list.opening_asked"
    LIST_OPENED = "list.opened"
    LIST_READ = "list.read"
    ASSAY_RECORDED = "assay.recorded"
    ASSAY_EXPLAINED = "assay.explained"
    LIST_CHECKED = "list.checked"
    KEY_CHANGED = "list.key_changed"
    RECORD_VERIFIED = "record.verified"
    EXPORT_ASKED = "export.asked"
    EXPORT_STOPPED = "export.stopped"
    EXPORT_MADE = "export.made"
    EXPORT_FETCHED = "export.fetched"
    STUDY_IMPORTED = "study.imported"


SENTENCES: dict[Action, str] = {
    Action.SIGNED_IN: "signed in",
    Action.SIGN_IN_REFUSED: "was refused at sign-in",
    Action.SIGNED_OUT: "signed out",
    Action.PASSWORD_CHANGED: "chose a new password",
    Action.STARTING_PASSWORD_GIVEN: "gave a new starting password",
    Action.DEVICE_ENROLLED: "made a browser a device of the lab",
    Action.DEVICE_CHANGED: "changed when a device locks",
    Action.DEVICE_UNLOCKED: "unlocked a device of the lab",
    Action.DEVICE_REVOKED: "revoked a device of the lab",
    Action.USER_ADDED: "added a person",
    Action.ROLE_GRANTED: "gave a role",
    Action.ROLE_ENDED: "ended a role",
    Action.SIGNATURE_GIVEN: "signed",
    Action.SIGNATURE_REFUSED: "gave a wrong password for a signature",
    Action.STUDY_CREATED: "created the study",
    Action.PROTOCOL_ADDED: "added a protocol version",
    Action.LIMITS_CONFIRMED: "confirmed the limits of a protocol version",
    Action.STUDY_STATE_CHANGED: "changed the state of the study",
    Action.VOLUNTEER_ADDED: "added a volunteer",
    Action.DUPLICATE_OVERRULED: "decided that two similar people are different",
    Action.CONTACT_CHANGED: "changed contact details",
    Action.CONTACT_ERASED: "erased contact details for good",
    Action.CONTACT_READ: "looked at contact details",
    Action.STAGE_CHANGED: "moved a volunteer along the path",
    Action.CONSENT_RECORDED: "recorded a consent",
    Action.CONSENT_CORRECTED: "corrected a consent",
    Action.LINK_MADE: "made a personal link",
    Action.LINK_REVOKED: "withdrew a personal link",
    Action.LINK_OPENED: "opened a personal link",
    Action.LINK_REFUSED: "gave a wrong birth date at a personal link",
    Action.LANGUAGE_CHOSEN: "chose a language",
    Action.VOLUNTEER_WITHDRAWN: "recorded a withdrawal",
    Action.VOLUNTEER_SCREENED_OUT: "recorded a screen failure",
    Action.VOLUNTEER_LOST: "recorded a volunteer as lost to contact",
    Action.VOLUNTEER_COMPLETED: "recorded a volunteer as completed",
    Action.HOLD_OPENED: "put a volunteer on hold",
    Action.HOLD_RELEASED: "released a hold",
    Action.DEVIATION_RECORDED: "recorded a deviation",
    Action.DEVIATION_EXPLAINED: "explained a deviation",
    Action.DEVIATION_CLOSED: "closed a deviation",
    Action.DEVIATION_ASSESSED: "assessed a deviation",
    Action.EVENT_RECORDED: "recorded an adverse event",
    Action.EVENT_ADDED_TO: "added to an adverse event",
    Action.EVENT_CORRECTED: "corrected an adverse event",
    Action.EVENT_JUDGED: "judged what caused an adverse event",
    Action.EVENT_READ: "read an adverse event",
    Action.EVENT_CLOSED: "closed an adverse event",
    Action.CARE_STATUS_RECORDED: "recorded how somebody in care is",
    Action.DOSING_PAUSED: "paused dosing by a rule of the study",
    Action.DOSING_PAUSE_SIGNED: "signed that dosing may go on",
    Action.DOSING_RESUMED: "ended a pause of dosing",
    Action.NEWS_APPROVED: "decided what volunteers are told about an event",
    Action.NEWS_ANSWERED: "recorded what a volunteer chose after being told",
    Action.REPORT_SENT: "recorded a safety report as sent",
    Action.REPORT_RECEIVED: "entered the receipt of a safety report",
    Action.PERSON_TOLD: "recorded whether a volunteer was told",
    Action.ANSWERS_RECORDED: "recorded answers",
    Action.SELF_REPORT_BEGUN: "began the questionnaire",
    Action.SELF_REPORT_SENT: "sent the questionnaire",
    Action.VITALS_RECORDED: "recorded a vital set",
    Action.VITALS_CORRECTED: "corrected a vital set",
    Action.STAFF_PHONE_SET: "kept or removed a phone number of staff for comparing",
    Action.DRAFT_BEGUN: "began to type a vital set",
    Action.DRAFT_TAKEN_OVER: "took over a half-typed vital set",
    Action.DRAFT_DROPPED: "emptied a half-typed vital set",
    Action.CHECK_RECORDED: "recorded a check",
    Action.CHECK_CORRECTED: "corrected a check",
    Action.ECG_READ: "read an ECG",
    Action.ASSESSED: "ran the rules over answers and values",
    Action.RULES_RUN: "ran the rules over everybody on the path",
    Action.SIGNED_OFF: "signed off a decision on taking part",
    Action.ACQUAINTANCE_DECIDED: "recorded that two volunteers know each other",
    Action.WALLET_CARD_HANDED: "handed over a wallet card",
    Action.PAYMENT_RECORDED: "recorded that a volunteer was paid",
    Action.PAYMENT_CORRECTED: "corrected the record of a payment",
    Action.SENT_HOME_RECORDED: "recorded that a volunteer came and was sent home",
    Action.SENT_HOME_TAKEN_BACK: "took back that a volunteer came and was sent home",
    Action.NOTE_RECORDED: "noted what was told at a contact",
    Action.NOTE_ANSWERED: "answered a note that names a medicine",
    Action.RELATION_DECIDED: "decided on a relation between a volunteer and staff",
    Action.REQUEST_ANSWERED: "brought what a physician asked for",
    Action.SERIES_BOOKED: "booked a visit series",
    Action.VISIT_MOVED: "moved a visit",
    Action.SERIES_CANCELLED: "cancelled a visit series",
    Action.VISIT_STATE_CHANGED: "changed the state of a visit",
    Action.CHANGE_UNDONE: "took back a change of a visit series",
    Action.TALK_RECORDED: "recorded a talk about booked visits",
    Action.WAITING_NOTED: "put a volunteer on the waiting list",
    Action.WAITING_ENDED: "took a volunteer off the waiting list",
    Action.OFFER_MADE: "offered a free series to somebody who waits",
    Action.PLAN_ASKED: "asked for a plan of several series",
    Action.PLAN_STOPPED: "stopped the making of a plan",
    Action.PLAN_DECIDED: "decided on a plan of several series",
    Action.AVAILABILITY_NOTED: "noted when a volunteer can come",
    Action.OPTION_HELD: "held a series for a volunteer for ten minutes",
    Action.OPTION_RELEASED: "let go of a series that was held",
    Action.STEP_RECORDED: "recorded a step",
    Action.STEP_CORRECTED: "corrected a step",
    Action.DOSE_GIVEN: "recorded a dose as given",
    Action.DOSE_REFUSED: "was refused a dose by the dose gate",
    Action.DOSE_CORRECTED: "corrected the record of a dose",
    Action.LEAVE_REFUSED: "found a volunteer not fit to leave yet",
    Action.CONTACT_RECORDED: "recorded a contact after dosing",
    Action.RESOURCE_CHANGED: "changed rooms, people or hours",
    Action.FEED_MADE: "made a calendar feed",
    Action.FEED_REVOKED: "withdrew a calendar feed",
    Action.COVER_RECORDED: "recorded physician cover",
    Action.RESCUE_KIT_CHECKED: "looked through the emergency kit",
    Action.STAYING_RECORDED: "said to be with a volunteer",
    Action.LOOKED_UP: "looked somebody up for a call about them",
    Action.LIST_SEALED: "sealed the allocation list",
    Action.NUMBER_ISSUED: "issued an allocation number",
    Action.KITS_RECEIVED: "received kits",
    Action.KIT_MOVED: "recorded a kit movement",
    Action.KIT_REFUSED: "was refused a kit",
    Action.BATCH_CHECKED: "checked the identity of a batch",
    Action.EXCURSION_RECORDED: "recorded kits outside their temperature",
    Action.EXCURSION_DECIDED: "decided about kits outside their temperature",
    Action.STOCK_COUNTED: "counted kits",
    Action.CODE_OPENED: "opened a code",
    Action.CODE_PRACTISED: "practised opening a code",
    Action.CARD_PRINTED: "printed a code card",
    Action.CARD_SETTLED: "recorded what became of a code card",
    Action.OBSERVER_LOOKED_AT: "signed for having looked at how somebody writes readings down",
    Action.POOLED_SEEN: "looked at values before and after the dose, pooled over the arms",
    Action.VALUES_SEEN: "first looked at values from after the dose",
    Action.ARM_LEARNT: "recorded an accidental unblinding",
    Action.GUESS_RECORDED: "recorded a guess",
    Action.DATA_LOCKED: "declared the data locked",
    Action.UNBLINDING_ASKED: "asked for the list to be opened",
    Action.LIST_OPENED: "opened the allocation list",
    Action.LIST_READ: "took the opened list",
    Action.ASSAY_RECORDED: "recorded a laboratory result",
    Action.ASSAY_EXPLAINED: "explained a laboratory result that contradicts the list",
    Action.LIST_CHECKED: "compared the list with practice",
    Action.RECORD_VERIFIED: "checked every seal of the record",
    Action.EXPORT_ASKED: "asked for an export of the study's data",
    Action.EXPORT_STOPPED: "stopped an export",
    Action.EXPORT_MADE: "made an export of the study's data",
    Action.EXPORT_FETCHED: "took an export of the study's data",
    Action.STUDY_IMPORTED: "read a study in from its export",
    Action.KEY_CHANGED: "changed the allocation key",
}

REFUSALS = frozenset({  # notes of something that did not happen
    Action.SIGN_IN_REFUSED, Action.SIGNATURE_REFUSED, Action.DOSE_REFUSED, Action.KIT_REFUSED, Action.LINK_REFUSED})  # fmt: skip
