"""The digest that a signature is bound to: it changes with what was assessed and with nothing else."""

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from screening.rules.assessment import Answer, Medicine, Person, PersonalLimits, inputs_digest
from screening.rules.vitals import VitalDecision

AT = datetime(2026, 3, 4, 9, 30, tzinfo=ZoneInfo("America/Halifax"))


def vitals(pulse: float = 65) -> VitalDecision:
    return VitalDecision(111, 71, pulse, (2, 3))


def digest(**changed: Any) -> str:
    base: dict[str, Any] = {
        "answers": {"C-01": Answer("no"), "C-38a": Answer(3)},
        "medicines": [Medicine("ibuprofen", last_taken=AT), Medicine("paracetamol")],
        "no_medicines": False,
        "vitals": vitals(),
        "person": Person(26, 172, 68),
        "table_hash": "a" * 64,
        "protocol_hash": "b" * 64,
    }
    return inputs_digest(**(base | changed))


def test_the_digest_changes_with_everything_that_was_assessed() -> None:
    changes = [
        {"answers": {"C-01": Answer("yes"), "C-38a": Answer(3)}},
        {"answers": {"C-01": Answer("no", "told so"), "C-38a": Answer(3)}},
        {"answers": {"C-01": Answer("no")}},
        {"answers": {"C-01": Answer("no"), "C-38a": Answer("3")}},
        {"medicines": [Medicine("ibuprofen", last_taken=AT)]},
        {"medicines": [Medicine("ibuprofen"), Medicine("paracetamol")]},
        {"no_medicines": True},
        {"vitals": vitals(pulse=65.5)},
        {"vitals": None},
        {"person": Person(27, 172, 68)},
        {"table_hash": "c" * 64},
        {"protocol_hash": "c" * 64},
        {"personal": PersonalLimits(pulse_from=55)},
    ]
    assert len({digest(), *(digest(**change) for change in changes)}) == len(changes) + 1


def test_the_digest_ignores_what_means_the_same() -> None:
    answers = {"C-38a": Answer(3.0), "C-02": Answer(None), "C-01": Answer("no")}
    medicines = [
        Medicine("paracetamol"),
        Medicine("ibuprofen", last_taken=AT.astimezone(UTC)),
    ]
    assert digest(answers=answers, medicines=medicines) == digest()
