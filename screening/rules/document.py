"""What the house's screening table refuses in a study document."""

from collections.abc import Iterator

from screening.rules.rows import TableError
from screening.rules.table import load_table
from studylab.studies.rules.limits import FIRST_DEGREE_BLOCK_OVER
from studylab.studies.rules.problems import Problem
from studylab.studies.rules.protocol import Protocol


def document_problems(protocol: Protocol) -> Iterator[Problem]:
    """Yield one problem for each question that loosens a rule of the house or cannot be asked.

    A question with the id of a rule of the house tightens it. It repeats that rule's text, so that nobody
    changes a rule of the house by taking its id for a question of their own.
    """
    yield from _loose_ecg(protocol)
    table = load_table()
    texts = {row.id: row.text for row in table.rows}
    for number, question in enumerate(protocol.questions, start=1):
        try:
            table.for_study((question,))
        except TableError as problem:
            what, _, fix = problem.message.rpartition(". ")
            yield Problem(f"questions[{number}]", f"{what}.", fix)
        else:
            if question.text != texts.get(question.id, question.text):
                yield Problem(
                    f"questions[{number}].text",
                    f"{question.id} is a rule of the house with another text.",
                    f"To tighten it, write its text: “{texts[question.id]}” Otherwise use an id of your own.",
                )


def _loose_ecg(protocol: Protocol) -> Iterator[Problem]:
    """Yield a problem where an ECG would pass with first-degree block, which C-05 gives to the physician."""
    longest = protocol.limits.ecg.pr_to
    if longest > FIRST_DEGREE_BLOCK_OVER:
        yield Problem(
            "limits.ecg.pr_to",
            f"{longest:g} ms lets first-degree AV block pass: a study may tighten, not loosen.",
            f"Set it to {FIRST_DEGREE_BLOCK_OVER:g} or less.",
        )
