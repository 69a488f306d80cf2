"""What the doctor who treats a volunteer should know, the same for every arm.

Facts with their own sources; the supervising physician confirms the text before the study is used.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class RescueFact:
    """One event and what is written about it."""

    event: str
    fact: str
    source: str


RESCUE_FACTS = (
    RescueFact(
        "Bronchospasm",
        "A beta-2 inhaler, often in larger doses than usual. Ipratropium and intravenous aminophylline are "
        "options. Glucagon 1 to 2 mg intravenously has been used.",
        "UK SmPC of propranolol, 4.3",
    ),
    RescueFact(
        "Slow pulse",
        "Atropine 1 to 2 mg intravenously is named where the vagus dominates.",
        "UK SmPC of propranolol, 4.4",
    ),
    RescueFact(
        "Anaphylaxis",
        "The usual dose of adrenaline may fail. Glucagon 1 mg or more intravenously, repeated, is reported "
        "to help.",
        "Malaysian prescribing information of propranolol; hospital formulary",
    ),
    RescueFact(
        "Adrenaline given",
        "Under a non-selective beta-blocker severe high pressure with a slow pulse can follow.",
        "Malaysian prescribing information of propranolol; national medicines text",
    ),
    RescueFact(
        "Low blood sugar",
        "Sweating may remain; a racing pulse and tremor may be absent.",
        "US label of propranolol extended release; national medicines text",
    ),
    RescueFact(
        "Dialysis",
        "Does not remove propranolol usefully.",
        "US label of propranolol extended release; EXTRIP 2021",
    ),
)
