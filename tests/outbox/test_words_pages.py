"""Editing what messages say: by whom, with which checks, beside a preview, and back again."""

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from studylab.access import Actor
from studylab.errors import Conflict, NotAllowed
from studylab.outbox.kinds import Audience, MessageField, MessageKind, register_kind
from studylab.outbox.models import SenderName, Wording
from studylab.outbox.rules import words
from studylab.outbox.rules.words import Words, house_words
from studylab.outbox.selectors.wording import sender_of, standing, words_for
from studylab.outbox.services.wording import (
    WordingRefused,
    sender_write,
    wording_take_back,
    wording_write,
)

KIND = "tried_reminder"
OWN = Words("Your time with us", "Hello.\n\n{when}\n\nCall {phone}.", "{when}. Call {phone}.")
FRENCH = Words("Votre rendez-vous", "Bonjour.\n\n{when}\n\nAppelez le {phone}.", "")


@pytest.fixture(autouse=True)
def _reminder(_kinds: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """A kind with three fields and the house's words in both languages."""
    fields = tuple(MessageField(name, f"the {name}") for name in ("when", "where", "phone"))
    register_kind(MessageKind(KIND, Audience.VOLUNTEER, "Reminder", fields, lambda _m: {}))
    english = {"subject": "Reminder", "text": "{when}\n\n{where}\n\n{phone}", "needs": ["when", "phone"],
               "short_needs": ["when"]}  # fmt: skip
    french = {"subject": "Rappel", "text": "{when}\n\n{where}\n\n{phone}"}
    monkeypatch.setitem(words._file("en"), KIND, english)
    translated = words.house_words(KIND)
    assert translated is not None
    monkeypatch.setitem(words._file("fr-ca"), KIND, {**french, "of": translated.words.digest})


@pytest.fixture
def both(study: Any) -> Any:
    """The study with French beside English."""
    study.languages = ["en", "fr-ca"]
    study.save()
    return study


@pytest.fixture
def keeper(coordinator: Any, actor_of: Any) -> Actor:
    actor: Actor = actor_of(coordinator)
    return actor


def write(
    study: Any, actor: Actor, words: Words = OWN, language: str = "en", seen: int | None = None
) -> Wording:
    row = standing(study, KIND, language).row if seen is None else seen
    return wording_write(
        study=study, kind=KIND, language=language, words=words, seen=row, actor=actor
    )


def test_own_words_count_until_they_are_taken_back(study: Any, keeper: Actor) -> None:
    house = words_for(study, KIND, "en")
    write(study, keeper)
    assert words_for(study, KIND, "en") == (OWN, "en")
    row = standing(study, KIND, "en").row
    wording_take_back(study=study, kind=KIND, language="en", seen=row, actor=keeper)
    assert words_for(study, KIND, "en") == house


def test_french_counts_only_for_the_english_that_it_translates(both: Any, keeper: Actor) -> None:
    house = house_words(KIND, "fr-ca")
    assert house is not None
    assert words_for(both, KIND, "fr-ca") == (house.words, "fr-ca")
    write(both, keeper)
    assert standing(both, KIND, "fr-ca").stale
    assert words_for(both, KIND, "fr-ca") == (OWN, "en")
    write(both, keeper, FRENCH, "fr-ca")
    assert words_for(both, KIND, "fr-ca") == (FRENCH, "fr-ca")
    write(both, keeper, Words("Another", OWN.text, OWN.short))
    assert words_for(both, KIND, "fr-ca")[1] == "en"


@pytest.mark.parametrize(
    ("words", "part", "says"),
    [
        (Words("Your capsule", OWN.text), "subject", "“capsule” may not stand"),
        (Words("Hello", "{when} {phone} propranolol"), "text", "name of a medicine"),
        (Words("Hello", "{when}"), "text", "{phone} is missing"),
        (Words("Hello", "{wen} {phone}"), "text", "Did you mean {when}?"),
        (Words("Hello", OWN.text, "Come"), "short", "{when} is missing"),
        (Words("Hello", OWN.text, "{when} {phone} " + "ç" * 300), "short", "At most 3 are sent"),
        (Words("Hello\nBcc: x@mail.example", OWN.text), "subject", "one line"),
        (Words("x" * 121, OWN.text), "subject", "At most 120"),
        (Words("", OWN.text), "subject", "nothing here"),
    ],
)
def test_words_that_cannot_be_sent_are_refused_at_their_field(
    study: Any, keeper: Actor, words: Words, part: str, says: str
) -> None:
    with pytest.raises(WordingRefused) as refused:
        write(study, keeper, words)
    assert [
        sentence for where, sentence in refused.value.problems if where == part and says in sentence
    ]
    assert not Wording.objects.exists()


def test_who_writes_on_words_that_changed_meanwhile_is_told(study: Any, keeper: Actor) -> None:
    write(study, keeper)
    with pytest.raises(Conflict):
        write(study, keeper, Words("Other", OWN.text), seen=0)


@pytest.mark.parametrize("role", ["clinician", "experimenter", "monitor", "pharmacist"])
def test_only_coordinator_and_lead_write(
    role: str, study: Any, actor_of: Any, request: Any
) -> None:
    with pytest.raises(NotAllowed):
        write(study, actor_of(request.getfixturevalue(role)))


def test_the_sender_by_language(study: Any, keeper: Actor) -> None:
    assert sender_of(study, "en") == ("Study team", "")
    sender_write(
        study=study,
        language="en",
        name="Harbour Lab",
        reply_to="desk@lab.example",
        seen=0,
        actor=keeper,
    )
    assert sender_of(study, "en") == ("Harbour Lab", "desk@lab.example")
    french, answers = sender_of(study, "fr-ca")
    assert french != "Harbour Lab"  # a name is never taken from another language
    assert answers == "desk@lab.example"


@pytest.fixture
def desk(coordinator: Any, client_of: Any) -> Client:
    client: Client = client_of(coordinator)
    return client


def address(study: Any, page: str = "wording", *more: str) -> str:
    return reverse(page, args=[study.slug, *(more or (KIND, "en"))])


def send(client: Client, study: Any, words: Words, shown: str | None = None) -> Any:
    if shown is None:
        shown = client.get(address(study)).context["shown"]
    data = {
        "subject": words.subject,
        "text": words.text.replace("\n", "\r\n"),
        "short": words.short,
    }
    return client.post(address(study), {**data, "shown": shown})


def test_the_page_keeps_words_and_shows_what_they_become(desk: Client, study: Any) -> None:
    assert send(desk, study, OWN).status_code == 302
    page = desk.get(address(study)).content.decode()
    assert "your own words" in page
    assert "Your time with us" in page
    assert "{when}" in page
    assert (
        desk.get(reverse("wordings", args=[study.slug])).content.decode().count("your own words")
        == 1
    )


def test_a_wrong_word_keeps_what_was_typed(desk: Client, study: Any) -> None:
    answer = send(desk, study, Words("About your dose", OWN.text + "\n\nTyped with care."))
    assert answer.status_code == 422
    page = answer.content.decode()
    assert "“dose” may not stand in a message" in page
    assert "Typed with care." in page


def test_a_page_that_is_out_of_date_writes_nothing(desk: Client, study: Any, keeper: Actor) -> None:
    shown = desk.get(address(study)).context["shown"]
    write(study, keeper, Words("Meanwhile", OWN.text))
    answer = send(desk, study, OWN, shown)
    assert answer.status_code == 409
    assert Wording.objects.count() == 1


def test_the_preview_shows_what_is_typed_with_invented_data(desk: Client, study: Any) -> None:
    data = {"subject": "At {when}", "text": "<b>Hello</b>\n\nCall {phone}.", "short": ""}
    page = desk.post(address(study, "wording_preview"), data).content.decode()
    assert "&lt;b&gt;Hello&lt;/b&gt;" in page
    assert "555 0100" in page
    wrong = desk.post(
        address(study, "wording_preview"), {**data, "text": "{fone}"}
    ).content.decode()
    assert "Did you mean {phone}?" in wrong


def test_taking_back_asks_first(desk: Client, study: Any, keeper: Actor) -> None:
    write(study, keeper)
    page = desk.get(address(study, "wording_back"))
    assert page.status_code == 200
    assert (
        desk.post(address(study, "wording_back"), {"shown": page.context["shown"]}).status_code
        == 302
    )
    assert not standing(study, KIND, "en").own
    assert desk.get(address(study, "wording_back")).status_code == 302


def test_the_sender_page(desk: Client, study: Any) -> None:
    here = address(study, "wording_sender", "en")
    data = {"name": "Placebo study", "reply_to": "", "shown": desk.get(here).context["shown"]}
    assert "may not stand" in desk.post(here, data).content.decode()
    wrong = desk.post(here, {**data, "name": "Harbour Lab", "reply_to": "a b@x"})
    assert wrong.status_code == 422
    assert desk.post(here, {**data, "name": "Harbour Lab"}).status_code == 302
    assert SenderName.objects.get().name == "Harbour Lab"


def test_what_is_not_there_is_not_found(desk: Client, study: Any) -> None:
    for kind, language in (("nothing", "en"), (KIND, "de")):
        assert desk.get(address(study, "wording", kind, language)).status_code == 404
