"""Could a deviation be a serious breach, and from when does its clock run?

The default is the earliest: the first awareness by anybody of the study. A regime that counts from the judgement
says so in the study document (UK guidance on serious breaches; EU guideline to Art. 52 of 536/2014, both from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from studylab.participants.rules.report_clocks import Knowledge
from studylab.studies.rules.safety import BreachFrom


@dataclass(frozen=True, slots=True)
class Verdict:
    """One assessment: was it a serious breach, and when was it judged."""

    breach: bool
    at: datetime


def may_be_breach(asked: bool, answer: str, verdicts: Sequence[Verdict]) -> bool:
    """Whether it is a serious breach as far as anybody knows; `asked` names kinds that could be one.

    The newest verdict counts. Before one, "perhaps" and no answer where it is asked are no "no".
    """
    if verdicts:
        return verdicts[-1].breach
    return answer in ("maybe", "yes") or (asked and not answer)


def breach_knowledge(
    *,
    asked: bool,
    answer: str,
    aware_at: datetime,
    verdicts: Sequence[Verdict],
    counted: BreachFrom,
) -> list[Knowledge]:
    """Return what the reporting clock of a serious breach counts from; nothing while it is none."""
    if not may_be_breach(asked, answer, verdicts):
        return []
    start = aware_at
    if counted == "judged":
        judged = [v.at for v in verdicts if v.breach]
        if not judged:
            return []
        start = min(judged)
    return [Knowledge(start, frozenset(), True, False, serious_breach=True)]
