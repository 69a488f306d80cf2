"""The text format of messages: fields in braces and nothing else, one text for both parts of a mail."""

from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studylab.outbox.rules.wording import (
    SUBJECT_LINE,
    Field,
    WordingInvalid,
    fields_of,
    html,
    literal,
    parse,
    plain,
    subject_line,
)

ALLOWED = ("when", "where", "phone", "link")


def problem(text: str) -> tuple[str, str, str]:
    with pytest.raises(WordingInvalid) as caught:
        parse(text, ALLOWED, "Text")
    first = caught.value.problems[0]
    return first.place, first.message, first.fix


def test_words_and_fields() -> None:
    pieces = parse("On {when}, call {phone}.", ALLOWED, "Text")
    assert pieces == ("On ", Field("when"), ", call ", Field("phone"), ".")
    assert fields_of(pieces) == {"when", "phone"}


def test_doubled_braces_are_braces() -> None:
    pieces = parse("{{when}} {when}", ALLOWED, "Text")
    assert plain(pieces, {"when": "noon"}) == "{when} noon\n"


@pytest.mark.parametrize(
    ("text", "place", "says", "fix"),
    [
        ("Come {wen}.", "Text, character 6", "{wen}", "Did you mean {when}?"),
        ("Come\non {xyz}.", "Text, line 2, character 4", "{xyz}", "{when}, {where}"),
        ("Come {when", "Text, character 6", "not closed", "{name}"),
        ("Come when}", "Text, character 10", "not opened", "}}"),
        ("Come {}.", "Text, character 6", "no name", "{phone}"),
        ("{when.__class__}", "Text, character 1", "not the name", "a name and nothing else"),
        ("{when!r}", "Text, character 1", "not the name", "a name and nothing else"),
        ("{when:>30}", "Text, character 1", "not the name", "a name and nothing else"),
        ("{0}", "Text, character 1", "not the name", "a name and nothing else"),
        ("{{% x %}", "Text, character 8", "not opened", "}}"),
        ("a\u202eb", "Text, character 2", "cannot be seen", "Type the words"),
        ("a\x00b", "Text, character 2", "cannot be seen", "Type the words"),
    ],
)
def test_what_is_wrong_is_named_with_place_and_fix(
    text: str, place: str, says: str, fix: str
) -> None:
    at, message, help_ = problem(text)
    assert at == place
    assert says in message
    assert fix in help_


def test_every_problem_is_named_at_once() -> None:
    with pytest.raises(WordingInvalid) as caught:
        parse("{a} {b}\n{c", ALLOWED, "Text")
    assert [p.place for p in caught.value.problems] == [
        "Text, line 1, character 1", "Text, line 1, character 5", "Text, line 2, character 1",
    ]  # fmt: skip


def test_values_are_never_read_again() -> None:
    pieces = parse("{when} {where}", ALLOWED, "Text")
    assert plain(pieces, {"when": "{where}", "where": "{{"}) == "{where} {{\n"


def test_a_paragraph_without_content_is_left_out() -> None:
    pieces = parse("One.\n\n{where}\n\n\nTwo.", ALLOWED, "Text")
    assert plain(pieces, {"where": ""}) == "One.\n\nTwo.\n"
    assert plain(pieces, {"where": "Here."}) == "One.\n\nHere.\n\nTwo.\n"


@given(st.text(max_size=80), st.text(max_size=80))
def test_a_subject_is_one_line_whatever_the_values_are(one: str, two: str) -> None:
    line = subject_line(parse("{when} at {where}", ALLOWED, "Subject"), {"when": one, "where": two})
    assert len(line.splitlines()) <= 1
    assert len(line) <= SUBJECT_LINE


def test_a_line_break_in_a_value_begins_no_header() -> None:
    value = "noon\r\nBcc: everybody@mail.example"
    assert subject_line(parse("{when}", ALLOWED, "Subject"), {"when": value}) == (
        "noon Bcc: everybody@mail.example"
    )


class Seen(HTMLParser):
    """What a browser finds: tags with their attributes, and the text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


def seen(text: str, values: dict[str, str]) -> Seen:
    return Seen(html(parse(text, ALLOWED, "Text"), values, language="fr-CA", title="Rendez-vous"))


def test_paragraphs_line_breaks_and_links() -> None:
    page = seen("Hello.\n\nOpen {link}.\nThank you.", {"link": "https://lab.example/l/#a_b-C"})
    assert [tag for tag, _ in page.tags if tag in ("p", "br", "a")] == ["p", "p", "a", "br"]
    assert [attrs for tag, attrs in page.tags if tag == "a"] == [
        {"href": "https://lab.example/l/#a_b-C"}
    ]
    assert [attrs for tag, attrs in page.tags if tag == "html"] == [{"lang": "fr-CA"}]


@given(st.text(max_size=200))
def test_no_value_brings_a_tag_of_its_own(value: str) -> None:
    page = seen("{where}", {"where": f"<script>x</script><img src=x onerror=y> {value}"})
    assert {tag for tag, _ in page.tags} <= {
        "html",
        "head",
        "meta",
        "title",
        "body",
        "p",
        "br",
        "a",
    }
    assert all(set(attrs) == {"href"} for tag, attrs in page.tags if tag == "a")


def test_an_address_cannot_leave_its_link() -> None:
    page = seen("{link}", {"link": 'https://lab.example/"onmouseover="x'})
    links = [attrs for tag, attrs in page.tags if tag == "a"]
    assert links == [{"href": "https://lab.example/"}]


def test_only_pages_become_links() -> None:
    assert not [
        tag for tag, _ in seen("{link}", {"link": "javascript:alert(1)"}).tags if tag == "a"
    ]


def test_the_words_of_somebody_are_looked_at_without_the_fields() -> None:
    assert "when" not in literal(parse("Come {when} please", ALLOWED, "Text"))
