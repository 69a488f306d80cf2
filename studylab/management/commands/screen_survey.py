"""screen_survey: run the screening assessment on every adult of the open NHANES 2017-18 survey."""

import json
from argparse import ArgumentParser
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

import studylab.studies
from screening.rules.survey import count, read_rows
from screening.rules.table import load_table
from screening.selectors.survey import survey_file
from studylab.clock import now
from studylab.errors import Refused
from studylab.studies.rules.loader import ProtocolInvalid, load_protocol
from studylab.studies.rules.protocol import Protocol

DOCUMENTS = Path(studylab.studies.__file__).parent / "documents"
WORDS = {
    "exclude": "excluded",
    "hold": "on hold",
    "physician": "physician decides",
    "cannot_decide": "cannot decide",
    "clear": "clear to sign",
}


class Command(BaseCommand):
    """Prints how many people there are and how many each outcome and each rule concerns."""

    help = (
        "Assess every adult (18 and over) of the open NHANES 2017-18 survey by the limits of a study document. "
        "What the survey does not ask stays unanswered, so nobody comes out clear."
    )
    requires_system_checks = ()  # no database is needed

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--json", action="store_true", help="print one JSON object")
        parser.add_argument(
            "--study", default="demo", help="study document whose limits count (default: demo)"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        protocol = _protocol(options["study"])
        table = load_table().for_study(protocol.questions)
        try:
            path = survey_file()
        except Refused as refusal:
            raise CommandError(refusal.message) from refusal
        with path.open(encoding="utf-8", newline="") as lines:
            found = count(read_rows(lines), table=table, limits=protocol.limits, at=now())
        result = {"people": found.people, "outcomes": found.outcomes, "rules": found.rules}
        if options["json"]:
            self.stdout.write(json.dumps(result, ensure_ascii=False))
            return
        self.stdout.write(
            f"People: {found.people} adults, limits of the study document {protocol.slug}"
        )
        self._list("Outcomes", {WORDS[key]: value for key, value in found.outcomes.items()})
        concepts = {row.id: row.concept for row in table.rows}
        concepts |= {row.rule_id: row.name for row in table.catalogue.prefixes}
        self._list(
            "Rules (people for whom each one fired)",
            {f"{key}  {_concept(concepts, key)}": value for key, value in found.rules.items()},
        )

    def _list(self, title: str, counts: Mapping[str, int]) -> None:
        self.stdout.write(f"\n{title}")
        for name, value in counts.items():
            self.stdout.write(f"{value:8}  {name}")


def _concept(concepts: Mapping[str, str], rule_id: str) -> str:
    """Return what a rule is about; rules on readings carry the place in their band after the row's id."""
    return concepts.get(rule_id) or concepts.get(rule_id.rpartition("-")[0], "")


def _protocol(slug: str) -> Protocol:
    available = sorted(path.stem for path in DOCUMENTS.glob("*.toml"))
    if slug not in available:
        raise CommandError(
            f"--study {slug}: no such document; choose one of {', '.join(available)}."
        )
    try:
        return load_protocol((DOCUMENTS / f"{slug}.toml").read_text(encoding="utf-8"))
    except ProtocolInvalid as error:
        raise CommandError(f"The study document {slug} is not valid: {error}") from error
