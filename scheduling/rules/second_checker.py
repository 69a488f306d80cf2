"""The second person who checks the dose is booked like a room: a study document that books nobody is refused."""

from collections.abc import Iterator

from studylab.studies.rules.problems import Problem
from studylab.studies.rules.protocol import Protocol

SECOND_CHECKER = "second checker"
# Kinds that are one person each and may give or check a dose.
_PEOPLE = frozenset({"experimenter", "coordinator", "clinician", SECOND_CHECKER})


def second_checker_problems(protocol: Protocol) -> Iterator[Problem]:
    """Yield a problem unless two people are booked in the segment in which the dose is planned."""
    visit = protocol.dosing_visit
    dose = next(step for step in visit.steps if step.kind == "dose")
    for number, segment in enumerate(visit.segments, start=1):
        if segment.key != dose.segment:
            continue
        if sum(need.count for need in segment.needs if need.kind in _PEOPLE) < 2:
            yield Problem(
                f"visits[{protocol.visits.index(visit) + 1}].segments[{number}].needs",
                "Nobody is booked to check the dose as the second person.",
                f'Add "{SECOND_CHECKER}", or write {{ kind = "experimenter", count = 2 }}.',
            )
