"""The words that a message goes out with, and who it comes from."""

from dataclasses import dataclass

from django.db.models import QuerySet

from studylab.outbox.models import SenderName, Wording
from studylab.outbox.rules.words import NATIVE, Translated, Words, house_sender, house_words
from studylab.studies.models import Study


@dataclass(frozen=True, slots=True)
class Standing:
    """The words of one kind of message in one language as they stand.

    `words` is None where there are none. `own` tells a study's words from the house's; `stale` says that their English
    changed since, so that messages of this kind go out in English. `row` is the newest row, 0 without one.
    """

    kind: str
    language: str
    words: Words | None
    own: bool
    stale: bool
    row: int

    @property
    def counts(self) -> bool:
        """Whether messages go out with these words."""
        return self.words is not None and not self.stale


def standing(study: Study | None, kind: str, language: str) -> Standing:
    """Return the words of a kind of message in a language, and whether they count."""
    own = _newest(study, kind, language)
    found, row = _words(own, kind, language), own.pk if own else 0
    if found is None:
        return Standing(kind, language, None, own=False, stale=False, row=row)
    of = found.words.digest if language == NATIVE else _english(study, kind).digest
    return Standing(kind, language, found.words, own=_is_own(own), stale=found.of != of, row=row)


def words_for(study: Study | None, kind: str, language: str) -> tuple[Words, str]:
    """Return the words of a message and the language that they are in: English where the wanted one has none.

    Raises KeyError for a kind of message without words.
    """
    wanted = standing(study, kind, language)
    if wanted.words is not None and wanted.counts:
        return wanted.words, language
    return _english(study, kind), NATIVE


def sender_row(study: Study | None, language: str) -> SenderName | None:
    """Return what the study says of its sender in a language."""
    return SenderName.objects.filter(study=study, language=language).order_by("-id").first()


def sender_of(study: Study | None, language: str) -> tuple[str, str]:
    """Return the name that messages come from in a language, and where answers go ("" for the site's address).

    An address for answers that is given in English only holds in every language; a name never does.
    """
    own = sender_row(study, language)
    english = sender_row(study, NATIVE) if own is None and language != NATIVE else own
    return own.name if own else house_sender(language), english.reply_to if english else ""


def history_of(study: Study | None, kind: str, language: str) -> QuerySet[Wording]:
    """Return what the study wrote for a kind of message, newest first."""
    return (
        Wording.objects.filter(study=study, kind=kind, language=language)
        .select_related("written_by")
        .order_by("-id")
    )


def _newest(study: Study | None, kind: str, language: str) -> Wording | None:
    rows = Wording.objects.filter(study=study, kind=kind, language=language)
    return rows.order_by("-id").first()


def _is_own(row: Wording | None) -> bool:
    return row is not None and not row.is_house


def _words(row: Wording | None, kind: str, language: str) -> Translated | None:
    if row is None or row.is_house:
        return house_words(kind, language)
    return Translated(Words(row.subject, row.text, row.short), row.of)


def _english(study: Study | None, kind: str) -> Words:
    found = _words(_newest(study, kind, NATIVE), kind, NATIVE)
    if found is None:
        raise KeyError(kind)
    return found.words
