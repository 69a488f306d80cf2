"""What volunteers read about their visits, in English and Canadian French."""

from collections.abc import Iterator
from dataclasses import dataclass

NATIVE = "en"
PROPOSE, ALONE = "propose", "alone"
MOVES = (PROPOSE, ALONE)


@dataclass(frozen=True, slots=True)
class VolunteerText:
    """One text; `french` is "" where it has none."""

    english: str
    french: str = ""

    def say(self, language: str) -> str:
        """Return the text in a language; KeyError when it has none there: another language never stands in."""
        found = self.english if language == NATIVE else self.french
        if not found:
            raise KeyError(language)
        return found


@dataclass(frozen=True, slots=True)
class VolunteerTexts:
    """Where the visits are, what to bring, and what to do before each visit by its key. All may be missing.

    `moves` says whether volunteers move a visit by themselves or only propose it; what they write by themselves is
    late when nobody has taken it after `answer_minutes`.
    """

    where: VolunteerText | None = None
    bring: VolunteerText | None = None
    before: tuple[tuple[str, VolunteerText], ...] = ()
    moves: str = PROPOSE
    answer_minutes: int = 15

    def before_visit(self, key: str) -> VolunteerText | None:
        """Return what to do before one visit."""
        return dict(self.before).get(key)

    def lacking(self, language: str) -> list[str]:
        """Return the English of every text that a language lacks, in order."""
        if language == NATIVE:
            return []
        return [text.english for text in self._all() if not text.french]

    def _all(self) -> Iterator[VolunteerText]:
        yield from (text for text in (self.where, self.bring) if text is not None)
        yield from (text for _, text in self.before)
