"""What a page shows, in words for a notice about a lost tablet: the fields, not the values. Pure."""

# Beginning of a page's name -> what stands on it; the longest beginning decides.
FIELDS = {
    "": "values of this person",
    "answers": "answers to the health questions",
    "assessment": "answers, medicines, findings, outcome of the screening",
    "ahead_": "health questions and answers",
    "check": "checks such as ECG and standing test",
    "code_": "emergency facts, and the arm if the code was opened",
    "consent": "consents and their dates",
    "contact": "contact after the dose: times, symptoms",
    "deviation": "what went differently",
    "dose": "dose: times, kit number, reasons of the gate",
    "dosing_day": "health questions of the day and answers",
    "ecg": "ECG reading",
    "emergency": "dose, last vital signs, whom to call",
    "event": "adverse event: symptoms, course, care",
    "hold": "holds and their reasons",
    "leave": "fit-to-leave check: symptoms, vital signs",
    "link": "personal links, without their secret",
    "medicine": "medicines",
    "questions": "health questions and answers",
    "series": "times of visits",
    "sign_off": "answers, medicines, vital signs, decision",
    "step": "steps of the visit and their values",
    "symptom": "symptoms",
    "trials": "order of trials",
    "visit": "run sheet: steps and values, vital signs, times, holds",
    "visit_labels": "labels with the code",
    "visit_move": "times of visits",
    "visit_vitals": "vital signs",
    "vitals": "vital signs",
    "volunteer": "page of the volunteer: dates, outcomes, vital signs, holds",
    "volunteer_contact": "name, address, e-mail, phone, birth date",
    "wallet_card": "wallet card with the code",
}
NAMING = frozenset({"volunteer_contact", "volunteer_contact_change", "volunteer_add", "look_up"})


def fields_of(page: str) -> str:
    """Say what stands on a page that is called `page`."""
    return FIELDS[max((one for one in FIELDS if page.startswith(one)), key=len)]


def names_people(page: str) -> bool:
    """Whether a page shows who somebody is, and not only their code."""
    return page in NAMING
