"""Tells the few answers that need a look from the many that lead to nothing, worked out once per table and gate."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from screening.rules.inputs import Answer
from screening.rules.rows import QuestionRow

NEVER = object()  # equal to no answer


@dataclass(frozen=True, slots=True)
class Sieve:
    """The questions of one gate. `quiet` is the answer to each that leads to nothing, NEVER when there is none.

    `always` are the questions asked whatever else is answered; `then` the further ones that each leads to.
    `place` is where each stands in the order of asking.
    """

    rows: Mapping[str, QuestionRow]
    place: Mapping[str, int]
    quiet: Mapping[str, object]
    always: frozenset[str]
    then: Mapping[str, tuple[str, ...]]

    def to_look_at(self, answers: Mapping[str, Answer]) -> list[QuestionRow]:
        """Return the questions whose answer, or the lack of one, may lead to something, in order of asking."""
        quiet = self.quiet.get
        found = self.always.difference(answers).union(
            [key for key, one in answers.items() if one.value != quiet(key) or one.detail]
        )
        for key in self.then.keys() & found:
            if key in answers and was_asked(answers[key]):
                found = found.union(self.then[key])
        return [
            self.rows[key] for key in sorted(found & self.rows.keys(), key=self.place.__getitem__)
        ]


def sieve_of(rows: Sequence[QuestionRow]) -> Sieve:
    """Return the sieve of the questions of one gate, given in order of asking."""
    then: dict[str, tuple[str, ...]] = {}
    for row in rows:
        if row.asked_if:
            then[row.asked_if] = (*then.get(row.asked_if, ()), row.id)
    # A question that leads to another on its quiet answer too is looked at each time.
    leads = {row.id for row in rows if row.id in then and row.quiet == "yes"}
    return Sieve(
        rows={row.id: row for row in rows},
        place={row.id: place for place, row in enumerate(rows)},
        quiet={row.id: NEVER if row.id in leads else row.quiet or NEVER for row in rows},
        always=frozenset(row.id for row in rows if not row.asked_if),
        then=then,
    )


def was_asked(parent: Answer | None) -> bool:
    """Whether the answer to the leading question asks for the next; no answer there is missing by itself."""
    return parent is not None and parent.value in ("yes", "not_sure")
