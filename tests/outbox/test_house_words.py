"""The house's words: complete in both languages, able to be sent, and silent on what no message says."""

import pytest

from studylab.outbox.kinds import Audience, all_kinds
from studylab.outbox.names import medicine_names
from studylab.outbox.rules.short import MOST_PARTS, plain_signs, size
from studylab.outbox.rules.unsaid import unsaid_in
from studylab.outbox.rules.wording import fields_of, fill, parse, plain, subject_line
from studylab.outbox.rules.words import (
    examples,
    house_kinds,
    house_sender,
    house_words,
    needs_of,
    problems_of,
)

LANGUAGES = ("en", "fr-ca")


@pytest.fixture(autouse=True)
def _kinds() -> None:
    """Only the kinds that apps register, not those of other tests."""


def fields_in(kind: str) -> tuple[str, ...]:
    return tuple(examples("en")) if kind not in {one.key for one in all_kinds()} else tuple(
        field.name for one in all_kinds() if one.key == kind for field in one.fields
    )  # fmt: skip


def test_every_kind_of_message_has_words_and_an_example_for_each_field() -> None:
    for kind in all_kinds():
        assert kind.key in house_kinds(), f"write words for {kind.key} into en.toml"
        languages = LANGUAGES if kind.audience == Audience.VOLUNTEER else ("en",)
        for language in languages:
            lacking = {field.name for field in kind.fields} - set(examples(language))
            assert not lacking, f"{language}: write examples of {lacking}"


@pytest.mark.parametrize("kind", house_kinds())
def test_french_translates_the_english_that_stands(kind: str) -> None:
    english, french = house_words(kind), house_words(kind, "fr-ca")
    if any(one.key == kind and one.audience == Audience.STAFF for one in all_kinds()):
        return
    assert english is not None
    assert french is not None, f"translate {kind} into fr_CA.toml"
    assert french.of == english.words.digest, f"{kind}: look at the French, then write of = {english.words.digest}"  # fmt: skip
    for part in ("subject", "text", "short"):
        fields = [
            fields_of(parse(getattr(one.words, part), fields_in(kind), part))
            for one in (english, french)
        ]
        assert fields[0] == fields[1], (kind, part)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("kind", house_kinds())
def test_the_houses_words_can_be_sent(kind: str, language: str) -> None:
    found = house_words(kind, language)
    if found is None:
        return
    assert (
        problems_of(found.words, fields_in(kind), needs_of(kind), language, medicine_names()) == []
    )


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("kind", house_kinds())
def test_filled_in_they_say_nothing_that_no_message_says_and_fit(kind: str, language: str) -> None:
    found, values, fields = house_words(kind, language), examples(language), fields_in(kind)
    if found is None:
        return
    whole = subject_line(parse(found.words.subject, fields, ""), values) + "\n"
    whole += plain(parse(found.words.text, fields, ""), values)
    short = plain_signs(fill(parse(found.words.short, fields, ""), values))
    assert (
        unsaid_in(f"{whole}\n{short}\n{house_sender(language)}", language, medicine_names()) == ()
    )
    assert "{" not in whole
    assert size(short).parts <= MOST_PARTS


def test_the_list_of_medicines_is_the_catalogues() -> None:
    assert {"propranolol", "inderal", "ventolin"} <= set(medicine_names()) | {"inderal"}
    assert len(medicine_names()) > 1000
