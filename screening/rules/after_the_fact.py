"""Somebody whose outcome changed only because a limit was changed after their own measurement."""

from screening.rules.outcome import Assessment, Finding
from screening.rules.rows import Disposition

RULE_ID = "limit-changed-after"
CONCEPT = "limit changed after the fact"
REASON = (
    "By the limits in force when this was measured, the outcome would be another. A limit that is changed "
    "afterwards must not be a way round it."
)
SOURCE = "proposal; waivers for people outside the criteria are a finding of inspections"
# From mild to strict. "cannot decide" stands apart: what is missing is missing under both limits.
_ORDER = ("clear", "physician", "hold", "exclude")
_WORDS = {
    "clear": "clear to sign", "physician": "physician decides", "hold": "hold", "exclude": "excluded",
    "cannot_decide": "cannot decide",
}  # fmt: skip


def after_the_fact(then: Assessment, now: Assessment) -> list[Finding]:
    """Return the mark for an outcome that is another under the limits `then`; milder now needs a physician."""
    if then.outcome == now.outcome:
        return []
    milder = (
        then.outcome in _ORDER
        and now.outcome in _ORDER
        and _ORDER.index(now.outcome) < _ORDER.index(then.outcome)
    ) or then.outcome == "exclude"
    disposition: Disposition = "physician" if milder else "note"
    fired = {(f.rule_id, f.said) for f in now.findings}
    gone = [f"{f.concept} {f.said}" for f in then.findings if (f.rule_id, f.said) not in fired]
    by = f" by {'; '.join(gone)}" if gone else ""
    said = f"{_WORDS[then.outcome]} by the limits of then{by}"
    return [Finding(RULE_ID, CONCEPT, disposition, REASON, SOURCE, said)]
