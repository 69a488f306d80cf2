"""Reading what volunteers said by themselves, and who sees to it."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from django.db.models import QuerySet
from django.http import Http404

from studylab.participants.models import Participant, VolunteerWord, WordAct
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol


@dataclass(frozen=True, slots=True)
class WordShown:
    """One word with who took it and what was done; `late` when nobody did either within the study's minutes."""

    word: VolunteerWord
    taken: WordAct | None
    done: WordAct | None
    late: bool

    @property
    def urgent(self) -> bool:
        """Whether somebody may be in danger."""
        return self.word.kind == VolunteerWord.Kind.UNWELL

    @property
    def kind(self) -> str:
        """Shape of the state."""
        if self.done:
            return "ok"
        return "stop" if self.late or self.urgent else "warn"

    @property
    def state(self) -> str:
        """The state in words."""
        if self.done:
            return "seen to"
        if self.taken:
            return f"{self.taken.by.name} looks after it"
        return "late: nobody has taken it" if self.late else "nobody has taken it yet"


def words_of(participant: Participant, at: datetime) -> list[WordShown]:
    """Return everything one volunteer said, the newest first."""
    return _shown(participant.study, _rows().filter(participant=participant).order_by("-id"), at)


def open_words(study: Study, at: datetime) -> list[WordShown]:
    """Return what nobody has seen to: who is unwell first, then the oldest."""
    rows = _rows().filter(participant__study=study).exclude(acts__kind=WordAct.Kind.DONE)
    shown = _shown(study, rows.order_by("id"), at)
    return sorted(shown, key=lambda one: (not one.urgent, one.word.pk))


def access_word(participant: Participant, uid: UUID) -> VolunteerWord:
    """Return a volunteer's own word, or raise Http404."""
    found = _rows().filter(participant=participant, uid=uid).first()
    if found is None:
        raise Http404("There is no such page.")
    return found


def word_shown(word: VolunteerWord, at: datetime) -> WordShown:
    """Return one word with who sees to it."""
    return _shown(word.participant.study, _rows().filter(pk=word.pk), at)[0]


def _rows() -> QuerySet[VolunteerWord]:
    return VolunteerWord.objects.select_related("participant__study", "hold").prefetch_related(
        "acts__by"
    )


def _shown(study: Study, rows: QuerySet[VolunteerWord], at: datetime) -> list[WordShown]:
    found = list(rows)
    if not found:
        return []
    within = timedelta(minutes=current_protocol(study).plan.texts.answer_minutes)
    shown = []
    for word in found:
        acts = list(word.acts.all())
        taken = next((act for act in reversed(acts) if act.kind == WordAct.Kind.TAKEN), None)
        done = next((act for act in acts if act.kind == WordAct.Kind.DONE), None)
        shown.append(WordShown(word, taken, done, not acts and at >= word.at + within))
    return shown
