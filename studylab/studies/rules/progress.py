"""What a study document says about progress: the planned period, and when pooled values may be looked at."""

from dataclasses import dataclass

from studylab.studies.rules.reader import Table

# House bounds, which a study may tighten but not loosen; ours, since no rule names a number.
FEWEST, SMALLEST_STEP = 5, 3


@dataclass(frozen=True, slots=True)
class ProgressPlan:
    """`planned_weeks` of recruitment, None when none is planned.

    Values from after the dose, pooled over the arms, are withheld below `pooled_from` people and then grow by
    `pooled_step` people at a time, so that nobody's value can be found by subtraction.
    """

    planned_weeks: int | None = None
    pooled_from: int = 10
    pooled_step: int = 5


def read_progress(document: Table) -> ProgressPlan:
    """Return the progress part; a document may leave it out, or any key of it."""
    if not document.has("progress"):
        return ProgressPlan()
    table, plain = document.table("progress"), ProgressPlan()
    weeks = table.whole("planned_weeks", low=1, high=520) if table.has("planned_weeks") else None
    found = ProgressPlan(
        planned_weeks=weeks,
        pooled_from=table.whole("pooled_from", low=FEWEST, high=100_000, default=plain.pooled_from),
        pooled_step=table.whole(
            "pooled_step", low=SMALLEST_STEP, high=100_000, default=plain.pooled_step
        ),
    )
    table.close()
    return found
