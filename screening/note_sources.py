"""Where the apps above say what was noted in free words about volunteers.

This app cannot read their tables, yet a medicine named in any of these notes is asked about before a dose. An app
registers its reader once, in `AppConfig.ready`.
"""

from collections.abc import Callable, Collection, Sequence

from screening.rules.notes import NoteText

Reader = Callable[[Collection[int]], Sequence[NoteText]]
_readers: dict[str, Reader] = {}


def register_notes(name: str, reader: Reader) -> None:
    """Register what returns the notes on people, given the ids of the participants, in a constant number of queries.

    `name` begins the key of each of its notes.
    """
    _readers[name] = reader


def notes_on(people: Collection[int]) -> list[NoteText]:
    """Return every note on these participants, the earliest first."""
    found = [note for reader in _readers.values() for note in reader(people)]
    return sorted(found, key=lambda note: (note.at, note.key))
