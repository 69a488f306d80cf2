"""The help texts: every page of the staff has one, each is short, and none says anything about arms."""

import re
from typing import Any

import pytest

from studylab.access import ROLE_CAPS, Cap, Role
from studylab.help.coverage import check_pages, problems, staff_pages
from studylab.help.rules.topics import HelpError, Topic, build, load_help

HELP = load_help()
GOOD: dict[str, Any] = {
    "key": "one", "title": "One", "about": "For one thing.", "steps": ["First.", "Then."],
    "pages": ["home"], "roles": ["lead"],
}  # fmt: skip


def test_every_page_of_the_staff_stands_in_one_topic_or_is_left_out_with_a_reason() -> None:
    pages = staff_pages()
    assert len(pages) > 250
    assert problems(HELP, pages) == []
    assert check_pages() == []
    assert all(len(reason) > 5 for reason in HELP.without.values())
    covered = {page for topic in HELP.topics for page in topic.pages}
    assert covered.isdisjoint(HELP.without)
    assert covered | set(HELP.without) == set(pages)


def test_a_page_without_help_and_a_help_without_page_are_named() -> None:
    help_ = build([("a.toml", {"page": [GOOD | {"links": [["nowhere", "Nowhere"]]}]})])
    found = problems(help_, {"home": {Cap.DISPENSE}, "today": {Cap.TODAY_VIEW}})
    assert [line.split(":")[0] for line in found] == [
        "The page today has no help",
        "Help one links to nowhere, which does not exist.",
        "Help one is for the lead, who can open none of its pages.",
    ]
    assert problems(help_, {})[0] == "Help names the page home, which does not exist."


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"roles": ["boss"]}, "'boss' is not a valid Role"),
        ({"steps": ["Only one."]}, "1 steps; write 2 to 6"),
        ({"about": "x" * 2000}, "characters; a screen holds 1300"),
        ({"colour": "red"}, "colour is not known"),
        ({"wrong": [["only what"]]}, "each line of wrong is a pair of texts"),
    ],
)
def test_a_slip_in_a_text_stops_the_start_and_says_where(change: Any, said: str) -> None:
    with pytest.raises(HelpError, match=re.escape(said)) as problem:
        build([("a.toml", {"page": [GOOD | change]})])
    assert str(problem.value).startswith("a.toml, one: ")


def test_what_is_missing_or_stands_twice_is_refused() -> None:
    with pytest.raises(HelpError, match=r"a\.toml, one: about is missing"):
        build([("a.toml", {"page": [{k: v for k, v in GOOD.items() if k != "about"}]})])
    with pytest.raises(HelpError, match="page home stands twice"):
        build([("a.toml", {"page": [GOOD, GOOD | {"key": "two"}]})])
    with pytest.raises(HelpError, match="topic one stands twice"):
        build([("a.toml", {"page": [GOOD, GOOD | {"pages": []}]})])
    with pytest.raises(HelpError, match="pagee is not a part"):
        build([("a.toml", {"pagee": []})])


def test_each_role_has_its_day_and_every_bad_day_is_there() -> None:
    assert [set(topic.roles) for topic in HELP.of_kind("day")] == [{role} for role in Role]
    assert {topic.key for topic in HELP.of_kind("worst")} == {
        "worst-unwell", "worst-kit", "worst-tablet", "worst-network", "worst-code", "worst-server",
        "worst-person", "worst-contact",
    }  # fmt: skip
    for topic in HELP.of_kind("worst"):
        assert not topic.roles, "everybody may meet it"


@pytest.mark.parametrize("topic", HELP.of_kind("day"), ids=lambda topic: topic.key)
def test_the_pages_of_a_day_open_for_its_role(topic: Topic) -> None:
    pages = staff_pages()
    (role,) = topic.roles
    assert topic.links
    for page, _ in topic.links:
        assert pages[page] & (ROLE_CAPS[role] | {Cap.SIGNED_IN}), page


def test_where_a_mistake_can_hurt_there_is_a_caution() -> None:
    for page in ("dose", "vitals", "sign_off", "leave_check", "symptom", "emergency", "code_open", "limits_confirm",
                 "kit_dispense", "consent_add", "contacts"):  # fmt: skip
        topic = HELP.for_page(page)
        assert topic is not None
        assert topic.caution or topic.wrong, page
    for page in ("dose", "sign_off", "leave_check", "symptom", "code_open", "kit_dispense"):
        assert HELP.for_page(page).caution, page  # type: ignore[union-attr]


def test_no_text_tells_what_could_tell_an_arm() -> None:
    """Whoever reads must not learn by which signs, sizes or orders an arm could be guessed."""
    telling = re.compile(
        r"placebo|propranolol|slow(er)? (pulse|heart)|pulse (falls|drops)|active (arm|capsule|kit)|block size"
        r"|every (second|third|fourth) (number|person)", re.I,
    )  # fmt: skip
    for topic in HELP.topics:
        assert not telling.search(topic.text), topic.key
    assert telling.search("A slow pulse tells.")
