"""What one vital set means at its gate. Pure: values in, a verdict and its words out."""

from dataclasses import dataclass

from screening.rules.after_dose import judge_post_dose
from screening.rules.bands import Place
from screening.rules.sets import Ruling
from screening.rules.vitals import Undecided, VitalDecision
from screening.selectors.vitals import value_places, value_text
from studylab.studies.rules.protocol import PostDoseLimits, VitalBands


@dataclass(frozen=True, slots=True)
class Verdict:
    """`word` is stored with the set; `reasons` are sentences; `hold` opens a hold at once."""

    word: str
    reasons: tuple[str, ...] = ()
    hold: bool = False
    symptoms: bool = False


def screening_verdict(
    ruling: Ruling, decision: VitalDecision, bands: VitalBands, weigh: tuple[str, ...]
) -> Verdict:
    """Return what all sets at screening come to, with the reasons of the new one."""
    reasons = (*_texts(decision, bands, value_places(decision, bands)), *weigh, *ruling.reasons)
    return Verdict("" if ruling.outcome == "undecided" else ruling.outcome, reasons)


def pre_dose_verdict(
    decision: VitalDecision,
    bands: VitalBands,
    *,
    weigh: tuple[str, ...],
    repeated: bool,
    held_before: bool,
    ruled_out: bool,
) -> Verdict:
    """Return pass, repeat (once, after a rest), hold, or exclude at a second visit on hold.

    A value outside even the physician's band holds at once and rules out a dose at this visit: `ruled_out` says
    that an earlier set of it showed one. `weigh` is what a physician looks at besides the values.
    """
    places = value_places(decision, bands)
    reasons = (*_texts(decision, bands, places), *weigh)
    if not reasons:
        if ruled_out:
            told = "An earlier set of this visit was outside the limits: no dose at this visit."
            return Verdict("hold", (told,))  # the hold of that set is open
        return Verdict("pass")
    if "outside" not in places.values() and not repeated:
        return Verdict("repeat", reasons)
    return Verdict("exclude" if held_before else "hold", reasons, hold=True)


def post_dose_verdict(
    decision: VitalDecision | Undecided,
    before: VitalDecision | None,
    symptoms: frozenset[str],
    limits: PostDoseLimits,
) -> Verdict:
    """Return pass, pause or emergency; "" while undecided. Pause and emergency hold."""
    result = judge_post_dose(decision, before, symptoms, limits)
    reasons = tuple(finding.text for finding in result.reasons)
    word = "" if result.outcome == "undecided" else result.outcome
    return Verdict(word, reasons, hold=word in ("pause", "emergency"), symptoms=bool(symptoms))


def _texts(decision: VitalDecision, bands: VitalBands, places: dict[str, Place]) -> tuple[str, ...]:
    return tuple(
        value_text(measure, decision, getattr(bands, measure))
        for measure, place in places.items()
        if place != "pass"
    )
