"""A message as it would go out, with invented values or with those of one volunteer."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from django.utils import translation
from django.utils.safestring import SafeString, mark_safe

from studylab.access import Actor, Cap
from studylab.outbox.kinds import MessageKind
from studylab.outbox.models import Message
from studylab.outbox.names import medicine_names
from studylab.outbox.rules.short import MOST_PARTS, plain_signs, size
from studylab.outbox.rules.unsaid import unsaid_in
from studylab.outbox.rules.wording import fill, html_body, parse, plain, subject_line
from studylab.outbox.rules.words import Words, examples
from studylab.outbox.selectors.wording import sender_of
from studylab.participants.kept_away import is_kept_away
from studylab.studies.models import Study

OFFERED = 20  # messages of volunteers to look at, the newest


@dataclass(frozen=True, slots=True)
class Preview:
    """What a mail and a short message would be. `unsaid` are words in the values that no message says."""

    sender: str
    subject: str
    text: str
    html: SafeString
    short: str
    short_size: str
    short_fits: bool
    unsaid: tuple[str, ...]


def preview(
    study: Study, kind: MessageKind, language: str, words: Words, message: Message | None
) -> Preview:
    """Return the message with the values of `message`, or with invented ones; WordingInvalid for unusable words."""
    values = _values(kind, language, message)
    names = tuple(field.name for field in kind.fields)
    subject, text = parse(words.subject, names, "Subject"), parse(words.text, names, "Text")
    short = plain_signs(fill(parse(words.short, names, "Short message"), values))
    body = plain(text, values)
    found = unsaid_in(f"{subject_line(subject, values)}\n{body}", language, medicine_names(), addresses=False)  # fmt: skip
    return Preview(
        sender=sender_of(study, language)[0], subject=subject_line(subject, values), text=body,
        html=mark_safe(html_body(text, values)),  # noqa: S308  (made of escaped pieces)
        short=short, short_size=size(short).words, short_fits=size(short).parts <= MOST_PARTS,
        unsaid=tuple(one.sentence for one in found),
    )  # fmt: skip


def may_see_people(actor: Actor) -> bool:
    """Whether somebody may see messages with what names a volunteer in them; others see invented ones."""
    return actor.may(Cap.CONTACT_VIEW)


def messages_to_show(study: Study, kind: str, actor: Actor) -> Sequence[Message]:
    """Return the newest messages of a kind with whose values the words can be looked at."""
    if not may_see_people(actor):
        return []
    rows = Message.objects.filter(study=study, kind=kind).exclude(participant=None)
    found = rows.select_related("participant__study", "participant__person").order_by("-id")
    return [row for row in found[:OFFERED] if row.participant and not is_kept_away(study.pk, row.participant.code, actor.user_id)]  # fmt: skip


def _values(kind: MessageKind, language: str, message: Message | None) -> Mapping[str, str]:
    if message is None:
        invented = examples(language)
        return {field.name: invented[field.name] for field in kind.fields}
    message.language = language  # of this copy only: the values are in the language of the words
    with translation.override(language):
        return kind.values(message)
