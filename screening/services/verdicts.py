"""What one vital set means at its gate. Pure: values in, a verdict and its words out."""

from dataclasses import dataclass

from screening.rules.after_dose import judge_post_dose
from screening.rules.bands import Place
from screening.rules.vitals import Undecided, VitalDecision
from screening.selectors.vitals import value_places, value_text
from studylab.studies.rules.protocol import PostDoseLimits, VitalBands

REPEAT_AFTER_SECONDS = 600  # rest of ten minutes before the one repeat of a set (proposal)


@dataclass(frozen=True, slots=True)
class Verdict:
    """`word` is stored with the set; `reasons` are sentences; `hold` opens a hold at once."""

    word: str
    reasons: tuple[str, ...] = ()
    hold: bool = False
    symptoms: bool = False


def screening_verdict(decision: VitalDecision, bands: VitalBands, *, repeated: bool) -> Verdict:
    """Return pass, physician, or for a value outside: repeat on another day once, then exclude."""
    places = value_places(decision, bands)
    reasons = _texts(decision, bands, places)
    if "outside" in places.values():
        return Verdict("exclude" if repeated else "repeat", reasons)
    return Verdict("physician" if reasons else "pass", reasons)


def pre_dose_verdict(
    decision: VitalDecision, bands: VitalBands, *, repeated: bool, held_before: bool
) -> Verdict:
    """Return pass, repeat (once, after ten minutes of rest), hold, or exclude at a second visit on hold.

    A value outside even the physician's band holds at once.
    """
    places = value_places(decision, bands)
    reasons = _texts(decision, bands, places)
    if not reasons:
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
