"""Words that no message holds."""

import pytest

from studylab.outbox.rules.unsaid import MEDICINE, languages, unsaid_in

NAMES = ("propranolol", "Beloc Duriles", "toprol-xl", "abc")


def said(text: str, language: str = "en") -> list[str]:
    return [one.said for one in unsaid_in(text, language, NAMES)]


@pytest.mark.parametrize(
    ("text", "language", "found"),
    [
        ("Bring your Capsules.", "en", ["Capsules"]),
        ("the beta-blocker study", "en", ["beta-blocker"]),
        ("You take PROPRANOLOL.", "en", ["PROPRANOLOL"]),
        ("beloc duriles and Toprol XL", "en", ["beloc duriles", "Toprol XL"]),
        ("Votre gelule et le placébo", "fr-ca", ["gelule", "placébo"]),
        ("votre cœur", "fr-ca", ["cœur"]),
        ("effets  indésirables", "fr-ca", ["effets  indésirables"]),
        ("You were screened out.", "en", ["screened out"]),
        ("https://lab.example/propranolol", "en", ["propranolol"]),
    ],
)
def test_a_word_is_found_as_it_stands_there(text: str, language: str, found: list[str]) -> None:
    assert said(text, language) == found


@pytest.mark.parametrize(
    ("text", "language"),
    [
        ("An army of doors, charmed and diagnosable.", "en"),  # parts of words are other words
        ("abc", "en"),  # too short for the name of a medicine
        ("Votre rendez-vous est le mardi 3 mars.", "fr-ca"),
    ],
)
def test_other_words_pass(text: str, language: str) -> None:
    assert said(text, language) == []


def test_each_word_is_named_once_with_its_reason() -> None:
    found = unsaid_in("dose, Dose and propranolol", "en", NAMES)
    assert [one.said for one in found] == ["dose", "propranolol"]
    assert found[1].why == MEDICINE
    assert "may not stand in a message" in found[0].sentence


def test_the_secret_of_a_link_may_spell_anything() -> None:
    link = "https://lab.example/l/#x-arm-dose_y"
    assert said(link)
    assert not unsaid_in(link, "en", NAMES, addresses=False)


def test_both_languages_have_a_list() -> None:
    assert languages() == {"en", "fr-ca"}
