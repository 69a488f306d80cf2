"""Notes about volunteers, and which of them a physician is still to answer."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from screening.models import AnswerSet, ContactNote, NoteAnswer
from screening.note_sources import notes_on
from screening.rules.catalogue import load_catalogue
from screening.rules.inputs import Medicine
from screening.rules.notes import NoteText, OpenNote, open_words
from screening.selectors.answers import as_medicines
from studylab.audit.history import STANDS
from studylab.participants.models import Participant
from studylab.studies.models import Study

_List = tuple[datetime, Sequence[Medicine]]


@dataclass(frozen=True, slots=True)
class NoteLine:
    """A note as the page shows it: `words` still to be answered, and the answers given."""

    note: NoteText
    words: tuple[str, ...]
    answers: list[NoteAnswer]


def contact_notes(people: Collection[int]) -> list[NoteText]:
    """Return the contact notes on these participants."""
    rows = ContactNote.objects.filter(participant__among=people).select_related("recorded_by")
    return [
        NoteText(
            row.participant_id, f"note-{row.pk}", row.at, "contact note", row.text,
            row.recorded_by.name, medicine=row.medicine,
        )
        for row in rows
    ]  # fmt: skip


def open_notes(participant: Participant) -> list[OpenNote]:
    """Return the notes that name a medicine of which no list given since knows and nobody has answered."""
    return [OpenNote(line.note, line.words) for line in note_lines(participant) if line.words]


def note_lines(participant: Participant) -> list[NoteLine]:
    """Return the notes on a volunteer, the newest first; those that are not listed only where they ask something."""
    lines = _lines([participant.pk])
    return [line for line in reversed(lines) if line.note.listed or line.words or line.answers]


def open_notes_in(study: Study) -> list[tuple[Participant, OpenNote]]:
    """Return the open notes on everybody who takes part, the earliest first, in a constant number of queries."""
    active = Participant.objects.filter(study=study, status=Participant.Status.ACTIVE)
    lines = [line for line in _lines(active.values_list("pk", flat=True)) if line.words]
    noted = Participant.objects.filter(pk__in={line.note.participant_id for line in lines})
    people = noted.select_related("study").in_bulk()
    return [(people[line.note.participant_id], OpenNote(line.note, line.words)) for line in lines]


def _lines(of: Iterable[int]) -> list[NoteLine]:
    notes = notes_on(list(of))
    if not notes:
        return []
    people = {note.participant_id for note in notes}
    lists = _lists(people)
    answers: dict[tuple[int, str], list[NoteAnswer]] = defaultdict(list)
    given = NoteAnswer.objects.filter(participant__among=people).select_related("answered_by")
    for answer in given.order_by("id"):
        answers[answer.participant_id, answer.note].append(answer)
    catalogue = load_catalogue()
    lines = []
    for note in notes:
        mine = answers[note.participant_id, note.key]
        done = {word for answer in mine for word in answer.words}
        words = open_words(catalogue, note, lists[note.participant_id], done)
        lines.append(NoteLine(note, words, mine))
    return lines


def _lists(people: Collection[int]) -> dict[int, list[_List]]:
    standing = AnswerSet.objects.filter(STANDS, participant__among=people).exclude(medicines=[])
    found: dict[int, list[_List]] = defaultdict(list)
    for row in standing.only("participant_id", "given_at", "medicines"):
        found[row.participant_id].append((row.given_at, as_medicines(row.medicines)))
    return found
