"""Writing what a study's messages say and who they come from."""

from datetime import timedelta

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed, Refused, RefusedWithReasons
from studylab.outbox.kinds import kind_of
from studylab.outbox.models import Message, SenderName, Wording
from studylab.outbox.names import medicine_names
from studylab.outbox.rules.unsaid import unsaid_in
from studylab.outbox.rules.words import NATIVE, Words, needs_of, part_of, problems_of
from studylab.outbox.selectors.wording import sender_row, standing, words_for
from studylab.participants.rules.details import email_problem
from studylab.participants.services.checks import require_study
from studylab.studies.models import Study

LOOK = timedelta(minutes=30)
CHANGED = "Somebody else changed these words meanwhile. Look at them, then send yours again."


class WordingRefused(RefusedWithReasons):
    """Words that cannot be sent; `problems` are (part of the form, sentence)."""

    def __init__(self, problems: list[tuple[str, str]]) -> None:
        super().__init__("The words are not kept.", [sentence for _, sentence in problems])
        self.problems = tuple(problems)


@service
def wording_write(
    *, study: Study, kind: str, language: str, words: Words, seen: int, actor: Actor
) -> Wording:
    """Keep a study's own words for a kind of message. `seen` is the row that the writer had before them, 0 for none."""
    study = _begin(study, language, actor)
    _nobody_else(study, kind, language, seen)
    found = problems_of(words, _fields(kind), needs_of(kind), language, medicine_names())
    if found:
        raise WordingRefused([(part_of(one.place), one.sentence) for one in found])
    before = standing(study, kind, language)
    if before.words == words and before.counts:
        raise Refused("Nothing is different from the words that stand.")
    of = words.digest if language == NATIVE else words_for(study, kind, NATIVE)[0].digest
    made = Wording.objects.create(
        study=study, kind=kind, language=language, subject=words.subject, text=words.text,
        short=words.short, of=of, written_at=clock.now(), written_by_id=_person(actor),
    )  # fmt: skip
    _note(actor, study, f"{kind} {language}", "own words")
    return made


@service
def wording_take_back(
    *, study: Study, kind: str, language: str, seen: int, actor: Actor
) -> Wording:
    """Let the house's words count again."""
    study = _begin(study, language, actor)
    _fields(kind)
    _nobody_else(study, kind, language, seen)
    if not standing(study, kind, language).own:
        raise Refused("These are the house's words already.")
    made = Wording.objects.create(
        study=study, kind=kind, language=language, is_house=True, written_at=clock.now(),
        written_by_id=_person(actor),
    )  # fmt: skip
    _note(actor, study, f"{kind} {language}", "house words")
    return made


@service
def sender_write(
    *, study: Study, language: str, name: str, reply_to: str, seen: int, actor: Actor
) -> SenderName:
    """Say who a study's messages come from in a language, and where answers go."""
    study = _begin(study, language, actor)
    row = sender_row(study, language)
    if (row.pk if row else 0) != seen:
        raise Conflict(CHANGED)
    name = " ".join(name.split())
    if not name or not name.isprintable():
        raise Refused("Enter the name that messages come from, in letters.", field="name")
    found = unsaid_in(name, language, medicine_names())
    if found:
        raise Refused(found[0].sentence, field="name")
    if reply_to and email_problem(reply_to):
        raise Refused(email_problem(reply_to), field="reply_to")
    made = SenderName.objects.create(
        study=study, language=language, name=name, reply_to=reply_to, written_at=clock.now(),
        written_by_id=_person(actor),
    )  # fmt: skip
    _note(actor, study, f"sender {language}", "sender")
    return made


@service
def wording_looked(*, message: Message, actor: Actor) -> None:
    """Write down that somebody looks at words with a volunteer's own values, once in half an hour."""
    require(actor, Cap.CONTACT_VIEW)
    person = message.participant
    assert person is not None, "only messages of volunteers are offered"
    require_study(actor, person.study_id)
    lately = Event.objects.filter(
        action=Action.CONTACT_READ, actor_id=actor.user_id, participant_code=person.code,
        study_id=person.study_id, at__gte=clock.now() - LOOK,
    )  # fmt: skip
    if not lately.exists():
        audit(
            actor=actor, action=Action.CONTACT_READ, subject_type="participant",
            subject_code=person.code, participant_code=person.code,
        )  # fmt: skip


def _begin(study: Study, language: str, actor: Actor) -> Study:
    """Check that somebody may write words in this language, and let nobody else write at the same time."""
    require(actor, Cap.WORDING_EDIT)
    require_study(actor, study.pk)
    study = lock(Study, pk=study.pk)
    if language != NATIVE and language not in study.languages:
        raise Refused("The study has no texts in this language.")
    return study


def _person(actor: Actor) -> int:
    if actor.user_id is None:
        raise NotAllowed("A person writes what messages say, never the house by itself.")
    return actor.user_id


def _fields(kind: str) -> tuple[str, ...]:
    return tuple(field.name for field in kind_of(kind).fields)


def _nobody_else(study: Study, kind: str, language: str, seen: int) -> None:
    if standing(study, kind, language).row != seen:
        raise Conflict(CHANGED)


def _note(actor: Actor, study: Study, what: str, how: str) -> None:
    audit(
        actor=actor, action=Action.WORDING_CHANGED, subject_type="wording", subject_code=what,
        study_id=study.pk, data={"what": how},
    )  # fmt: skip
