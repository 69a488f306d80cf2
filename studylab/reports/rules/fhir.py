"""Rows of an export as FHIR R5 resources (HL7, hl7.org/fhir/R5): plain dictionaries, ready to be written as JSON.

Codes: LOINC 85354-9 with 8480-6 and 8462-4 for a blood pressure, 8867-4 for a heart rate, units in UCUM. A person is a
Patient with a code and nothing else. The study capsule is one medication for everybody: no resource holds an arm.
"""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

Row = Mapping[str, Any]
Resource = dict[str, Any]

_LOINC, _UCUM = "http://loinc.org", "http://unitsofmeasure.org"
_HL7 = "http://terminology.hl7.org/CodeSystem"
_VISITS = {
    "booked": "booked", "running": "arrived", "done": "fulfilled", "stopped": "fulfilled", "missed": "noshow",
    "cancelled": "cancelled",
}  # fmt: skip
# The study's end of a path as a state of ResearchSubject.progress (codes of R4's status, moved there in R5).
_SUBJECTS = {
    "active": "on-study", "completed": "off-study", "withdrawn": "withdrawn", "screened_out": "ineligible",
    "lost": "off-study",
}  # fmt: skip
_CAPSULE = "study capsule, blinded: active substance or placebo"


def research_study(study: Row) -> Resource:
    """Return the study."""
    return {
        "resourceType": "ResearchStudy", "id": study["slug"], "status": "active", "title": study["title"],
        "name": study["short_title"], "identifier": [_identifier("studies", study["slug"])],
    }  # fmt: skip


def patient(row: Row) -> Resource:
    """Return the person behind a code: nothing but the code."""
    return {
        "resourceType": "Patient", "id": row["code"], "identifier": [_identifier("volunteers", row["code"])],
    }  # fmt: skip


def research_subject(study: str, row: Row) -> Resource:
    """Return the person's part in the study, without the group."""
    state = {
        "coding": [{"system": f"{_HL7}/research-subject-state", "code": _SUBJECTS[row["status"]]}]
    }
    return {
        "resourceType": "ResearchSubject", "id": f"subject-{row['code']}", "status": "active",
        "subject": _patient(row), "study": {"reference": f"ResearchStudy/{study}"},
        "progress": [{"subjectState": state, "startDate": _instant(row["status_at"])}],
    }  # fmt: skip


def consent(row: Row, *, replaced: bool) -> Resource:
    """Return a consent; one that was corrected since is entered in error."""
    return {
        "resourceType": "Consent", "id": f"consent-{row['id']}",
        "status": "entered-in-error" if replaced else "active", "decision": "permit",
        "category": [{"text": "agreement to health questions" if row["kind"] == "questions" else "informed consent to the study"}],
        "subject": _patient(row), "date": row["signed_at"].date().isoformat(),
        "policyText": [{"display": f"version {row['version']}"}],
    }  # fmt: skip


def observations(row: Row, *, replaced: bool) -> list[Resource]:
    """Return blood pressure and heart rate of one set of readings; nothing for a set that was not decided."""
    if row["systolic"] is None:
        return []
    status = "entered-in-error" if replaced else "corrected" if row["supersedes_id"] else "final"
    common = {
        "resourceType": "Observation", "status": status, "subject": _patient(row),
        "effectiveDateTime": _instant(row["taken_at"]), "issued": _instant(row["recorded_at"]),
        "category": [{"coding": [{"system": f"{_HL7}/observation-category", "code": "vital-signs"}]}],
    }  # fmt: skip
    parts = [
        {"code": _loinc(code, text), "valueQuantity": _quantity(row[name], "mm[Hg]")}
        for code, text, name in (
            ("8480-6", "Systolic blood pressure", "systolic"),
            ("8462-4", "Diastolic blood pressure", "diastolic"),
        )
    ]
    return [
        common | {
            "id": f"pressure-{row['id']}", "component": parts,
            "code": _loinc("85354-9", "Blood pressure panel with all children optional"),
        },
        common | {
            "id": f"heart-rate-{row['id']}", "code": _loinc("8867-4", "Heart rate"),
            "valueQuantity": _quantity(row["pulse"], "/min"),
        },
    ]  # fmt: skip


def medication_administration(row: Row, *, replaced: bool) -> Resource:
    """Return a dose of the study capsule, the same words for every arm. (R5 spells "occurence" with one r.)"""
    return {
        "resourceType": "MedicationAdministration", "id": f"dose-{row['id']}",
        "status": "entered-in-error" if replaced else "completed", "subject": _patient(row),
        "medication": {"concept": {"text": _CAPSULE}}, "occurenceDateTime": _instant(row["given_at"]),
        "recorded": _instant(row["recorded_at"]),
        "dosage": {"text": "swallowed", "dose": {"value": row["count"], "unit": "capsule"}},
    }  # fmt: skip


def adverse_event(study: str, row: Row) -> Resource:
    """Return an event as its newest entry says; `row` is an entry with the event's number, state and uid."""
    done = "completed" if row["state"] == "closed" else "in-progress"
    serious = "serious" if row["criteria"] else "non-serious"
    found = {
        "resourceType": "AdverseEvent", "id": f"event-{row['event_id']}", "actuality": "actual",
        "status": "entered-in-error" if row["in_error"] else done, "subject": _patient(row),
        "study": [{"reference": f"ResearchStudy/{study}"}], "code": {"text": row["term"]},
        "recordedDate": _instant(row["recorded_at"]), "detected": _instant(row["aware_at"]),
        "seriousness": {"coding": [{"system": f"{_HL7}/adverse-event-seriousness", "code": serious}]},
        "outcome": [{"text": row["outcome"]}], "expectedInResearchStudy": row["expected"],
        "note": [{"text": f"Grade {row['grade']}. {row['what']}"}],
    }  # fmt: skip
    if row["started_at"] is not None:
        found["occurrenceDateTime"] = _instant(row["started_at"])
    return found


def appointment(row: Row) -> Resource:
    """Return a visit as an appointment."""
    return {
        "resourceType": "Appointment", "id": f"visit-{row['id']}", "status": _VISITS[row["state"]],
        "description": f"Visit {row['number']}", "start": _instant(row["planned"].lower),
        "end": _instant(row["planned"].upper), "subject": _patient(row),
        "participant": [{"actor": _patient(row), "status": "declined" if row["state"] == "cancelled" else "accepted"}],
    }  # fmt: skip


def questionnaire(study: str, version: str, questions: list[tuple[str, str]]) -> Resource:
    """Return the questions as they are asked, by key."""
    return {
        "resourceType": "Questionnaire", "id": f"questions-{study}", "url": _questions(study), "version": version,
        "status": "active", "subjectType": ["Patient"],
        "item": [{"linkId": key, "text": text, "type": "text"} for key, text in questions],
    }  # fmt: skip


def questionnaire_response(study: str, row: Row, *, replaced: bool) -> Resource:
    """Return one sitting of questions."""
    status = "entered-in-error" if replaced else "amended" if row["supersedes_id"] else "completed"
    items = [
        {"linkId": key, "answer": [{"valueString": _said(said)}]}
        for key, said in sorted(row["answers"].items())
    ]
    found: Resource = {
        "resourceType": "QuestionnaireResponse", "id": f"answers-{row['id']}", "status": status,
        "questionnaire": _questions(study), "subject": _patient(row), "authored": _instant(row["given_at"]),
    }  # fmt: skip
    return found | ({"item": items} if items else {})


def _said(said: Mapping[str, Any]) -> str:
    """Return an answer in words; FHIR knows no empty string."""
    value = said.get("value")
    text = ", ".join(map(str, value)) if isinstance(value, list) else str(value)
    detail = str(said.get("detail") or "").strip()
    return (f"{text}: {detail}" if detail else text).strip() or "-"


def _instant(at: datetime) -> str:
    """Return an instant as FHIR writes it, in UTC; fractions of a second are kept."""
    utc = at - (at.utcoffset() or timedelta(0))
    return utc.replace(tzinfo=None).isoformat() + "Z"


def _patient(row: Row) -> Resource:
    return {"reference": f"Patient/{row['code']}"}


def _questions(study: str) -> str:
    return f"urn:studylab:{study}:questions"


def _identifier(kind: str, value: str) -> Resource:
    return {"system": f"urn:studylab:{kind}", "value": value}


def _loinc(code: str, display: str) -> Resource:
    return {"coding": [{"system": _LOINC, "code": code, "display": display}]}


def _quantity(value: float, unit: str) -> Resource:
    return {"value": value, "unit": unit, "system": _UCUM, "code": unit}
