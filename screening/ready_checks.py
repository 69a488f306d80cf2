"""Whether what volunteers read is there in every language that the study offers."""

from collections.abc import Iterator
from datetime import datetime

from django.conf import settings

from screening.rules.words import words_for
from screening.selectors.inputs import table_of
from studylab.access import Cap
from studylab.studies.models import Study
from studylab.studies.rules.readiness import Before, Ready, Stands
from studylab.studies.selectors import current_protocol


def text_lines(study: Study, _at: datetime) -> Iterator[Ready]:
    """Yield a line for each language of the study."""
    protocol = current_protocol(study)
    table = table_of(protocol)
    for code, name in settings.LANGUAGES:
        if code not in (study.languages or []):
            continue
        questions = words_for(code, protocol.plan.questions).lacking(table, "screening")
        number = len([*questions, *protocol.plan.texts.lacking(code)])
        text = "Every text is there."
        if number:
            text = (
                f"{number} {'text is' if number == 1 else 'texts are'} missing in the study document, so the pages"
                " that show them are offered in English only."
            )
        yield Ready(
            f"texts-{code}", f"Texts for volunteers in {name}", Before.VOLUNTEER,
            Stands.MISSING if number else Stands.READY, text, Cap.SETUP_EDIT, "protocol_add",
        )  # fmt: skip
