"""Which parts of data and trail somebody looks through, why and how often: the `[[reviews]]` of a study document."""

from dataclasses import dataclass
from datetime import date, timedelta

from studylab.studies.rules.reader import Table


@dataclass(frozen=True, slots=True)
class ReviewPlan:
    """One review: what is looked through, which risk it answers, and at least how often, in days."""

    key: str
    what: str
    risk: str
    every_days: int


@dataclass(frozen=True, slots=True)
class ReviewDue:
    """The last local day of the next review, and whether it is past."""

    by: date
    late: bool


def read_reviews(document: Table) -> tuple[ReviewPlan, ...]:
    """Return the reviews in the document's order; a document may leave them out, then none is planned."""
    if not document.has("reviews"):
        return ()
    found: list[ReviewPlan] = []
    for row in document.tables("reviews", at_least=1):
        key = row.text(
            "key", pattern=r"[a-z][a-z0-9_]*",
            rule="Use small letters, digits and underscores, beginning with a letter.",
        )  # fmt: skip
        if any(one.key == key for one in found):
            row.wrong("key", f"Two reviews are called {key}.", "Give each a key of its own.")
        found.append(
            ReviewPlan(
                key, row.text("what"), row.text("risk"), row.whole("every_days", low=1, high=366)
            )
        )
        row.close()
    return tuple(found)


def review_due(plan: ReviewPlan, *, begun: date, last: date | None, today: date) -> ReviewDue:
    """Return by when the next review is due: counted from the last one, before any from the day the study began."""
    by = (last or begun) + timedelta(days=plan.every_days)
    return ReviewDue(by, today > by)
