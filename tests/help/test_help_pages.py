"""The pages of the help: for the page one comes from, by search, as a part of a panel, and who may open them."""

import re
from typing import Any

import pytest
from django.test import Client

from studylab.access import ROLE_NAMES, Role
from studylab.help.rules.topics import load_help
from tests import cast

pytestmark = pytest.mark.django_db


def text_of(client: Client, address: str, **headers: str) -> str:
    answer = client.get(address, headers=headers)
    assert answer.status_code == 200, address
    return re.sub(r"\s+", " ", answer.content.decode())


def test_the_header_leads_to_the_help_of_the_page(
    study: Any, coordinator: Any, client_of: Any
) -> None:
    page = text_of(client_of(coordinator), f"/s/{study.slug}/calendar/waiting/")
    link = re.search(r'<a class="[^"]*site-help"[^>]*href="([^"]+)"[^>]*>Help</a>', page)
    assert link is not None
    assert link[1] == f"/s/{study.slug}/help/?page=waiting"
    shown = text_of(client_of(coordinator), link[1])
    assert "<h1" in shown
    assert "Help: Waiting list and times that became free" in shown
    assert "Put the volunteer on the list from the booking page." in shown
    assert f'href="/s/{study.slug}/calendar/waiting/" data-leaves-help>Waiting list</a>' in shown


def test_a_page_without_its_own_text_says_so_and_lists_everything(
    study: Any, clinician: Any, client_of: Any
) -> None:
    shown = text_of(client_of(clinician), f"/s/{study.slug}/help/?page=nothing-like-it")
    assert "There is no text of its own" in shown
    heads = re.findall(r"<h2>([^<]+)</h2>|<summary>([^<]+)</summary>", shown)
    assert [one or other for one, other in heads] == [
        "Your day", "When something goes badly wrong", "Pages for your role", "For other roles", "Keys on every page",
    ]  # fmt: skip
    links = re.findall(r"\?topic=([a-z-]+)", shown)
    assert sorted(links) == sorted(topic.key for topic in load_help().topics)
    assert links[0] == "day-clinician"
    mine, others = shown.split("<summary>For other roles</summary>")
    assert "?topic=sign-off&" in mine
    assert "?topic=hand-out&" in others


def test_links_lead_only_where_the_role_may_go(study: Any, pharmacist: Any, client_of: Any) -> None:
    shown = text_of(client_of(pharmacist), f"/s/{study.slug}/help/?topic=cards")
    assert f'href="/s/{study.slug}/opened-codes/cards/" data-leaves-help' in shown
    assert "For: Clinician (supervising physician), Pharmacist, Study lead, Monitor" in shown
    shown = text_of(client_of(pharmacist), f"/s/{study.slug}/help/?topic=sign-off")
    assert "data-leaves-help" not in shown
    assert ROLE_NAMES[Role.CLINICIAN] in shown


def test_search_ranks_and_says_when_nothing_fits(
    study: Any, coordinator: Any, client_of: Any
) -> None:
    client = client_of(coordinator)
    shown = text_of(client, f"/s/{study.slug}/help/?q=tablet+stollen")
    assert re.findall(r"\?topic=([a-z-]+)", shown)[0] == "worst-tablet"
    shown = text_of(client, f"/s/{study.slug}/help/?q=%3Cb%3Ezzz")
    assert "0 found for “&lt;b&gt;zzz”" in shown
    assert "Nothing fits these words." in shown
    assert 'value="&lt;b&gt;zzz"' in shown


def test_a_panel_gets_the_part_alone(study: Any, coordinator: Any, client_of: Any) -> None:
    part = text_of(client_of(coordinator), f"/s/{study.slug}/help/?page=today", hx_request="true")
    assert part.startswith("<div data-help-part>")
    assert "<html" not in part


def test_the_site_has_the_same_help_without_a_study(coordinator: Any, client_of: Any) -> None:
    client = client_of(coordinator)
    home = text_of(client, "/password/")
    assert 'href="/help/?page=password_change"' in home
    shown = text_of(client, "/help/?page=password_change")
    assert "Help: Your account, password and studies" in shown
    assert "A day of each role" in text_of(client, "/help/")
    assert "data-leaves-help" not in text_of(client, "/help/?topic=dose")


def test_unknown_topics_and_strangers_find_nothing(
    study: Any, coordinator: Any, client_of: Any
) -> None:
    assert client_of(coordinator).get(f"/s/{study.slug}/help/?topic=none").status_code == 404
    stranger = client_of(cast.make_user("Somebody Else"))
    assert stranger.get(f"/s/{study.slug}/help/").status_code in {403, 404}
    assert stranger.get("/help/").status_code == 200
    answer = Client().get(f"/s/{study.slug}/help/")
    assert answer.status_code == 302
    assert answer["Location"].startswith("/sign-in/")


def test_topics_can_be_shown(study: Any, lead: Any, client_of: Any) -> None:
    client = client_of(lead)
    for topic in load_help().topics[::8]:
        part = text_of(client, f"/s/{study.slug}/help/?topic={topic.key}", hx_request="true")
        assert part.count("<li>") >= len(topic.steps)


def test_a_page_before_sign_in_has_no_help_link() -> None:
    assert "site-help" not in Client().get("/sign-in/").content.decode()
