"""Answers, vital sets, other checks, assessments and sign-offs."""

from screening.models.answers import AnswerSet
from screening.models.checks import Check, EcgReading
from screening.models.decision import Assessment, SignOff
from screening.models.drafts import VitalDraft
from screening.models.monitors import Monitor, MonitorClock
from screening.models.notes import ContactNote, NoteAnswer
from screening.models.requests import RequestAnswer
from screening.models.runs import RulesRun
from screening.models.self_report import SelfReport, SelfReportEntry
from screening.models.staff import StaffDecision, StaffPhone
from screening.models.timing import Timing
from screening.models.vitals import VitalReading, VitalSet

__all__ = [
    "AnswerSet",
    "Assessment",
    "Check",
    "ContactNote",
    "EcgReading",
    "Monitor",
    "MonitorClock",
    "NoteAnswer",
    "RequestAnswer",
    "RulesRun",
    "SelfReport",
    "SelfReportEntry",
    "SignOff",
    "StaffDecision",
    "StaffPhone",
    "Timing",
    "VitalDraft",
    "VitalReading",
    "VitalSet",
]
