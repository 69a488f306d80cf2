"""Notes in free words: which of them names a medicine that nobody listed since."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

from screening.rules.catalogue import Catalogue
from screening.rules.inputs import Medicine
from screening.rules.medicines import unlisted


@dataclass(frozen=True, slots=True)
class NoteText:
    """What somebody noted about a participant; `key` names the note for good, `where` says what it belongs to.

    `medicine` was told as one, in a field of its own. A note that is not `listed` is shown only where it asks something: its page lists it already.
    """

    participant_id: int
    key: str
    at: datetime
    where: str
    text: str
    by: str
    listed: bool = True
    medicine: str = ""


@dataclass(frozen=True, slots=True)
class OpenNote:
    """A note with the words in it that are still to be asked about, as they stand in the catalogue."""

    note: NoteText
    words: tuple[str, ...]


def open_words(
    catalogue: Catalogue,
    note: NoteText,
    lists: Sequence[tuple[datetime, Sequence[Medicine]]],
    answered: Collection[str],
) -> tuple[str, ...]:
    """Return what the note names and neither a later list of medicines nor a physician's answer covers.

    `lists` are lists of medicines with when they were given: one given before the note says nothing about it.
    """
    since = [one for given_at, several in lists if given_at >= note.at for one in several]
    found = unlisted(catalogue, note.text, since)
    names = list(found.values())
    if note.medicine and not unlisted(catalogue, note.medicine, []):
        # No name that we know: nobody can say that it matters, so it is asked about (missing is never a pass).
        listed = {one.name.strip().casefold() for one in since}
        names += [] if note.medicine.casefold() in listed else [note.medicine]
    return tuple(name for name in names if name not in answered)
