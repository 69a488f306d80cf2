"""The page frame: a role's own sections, whom to call, and what must not be overlooked."""

import re
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client

from studylab.access import Actor, Role
from studylab.nav import SECTIONS, current_section, linked_sections, sections_for
from tests import cast

pytestmark = pytest.mark.urls("tests.look.site")

# Read off the table of roles by hand, not computed from it.
OWN = {
    Role.COORDINATOR: ["Today", "Calendar", "Volunteers", "Safety", "Set-up"],
    Role.CLINICIAN: ["Today", "Calendar", "Volunteers", "Sign-off", "Safety", "Set-up"],
    Role.PHARMACIST: ["Dispensary", "Set-up"],
    Role.EXPERIMENTER: ["Today", "Calendar", "Volunteers", "Safety", "Set-up"],
    Role.LEAD: ["Today", "Calendar", "Volunteers", "Safety", "Record", "Set-up"],
    Role.MONITOR: ["Today", "Calendar", "Volunteers", "Safety", "Record", "Set-up"],
}


def _actor(*roles: Role) -> Actor:
    return Actor(user_id=1, label="Somebody", study_id=1, roles=frozenset(roles))


@pytest.mark.parametrize("role", list(Role))
def test_each_role_has_its_own_sections(role: Role) -> None:
    assert [section.label for section in sections_for(_actor(role))] == OWN[role]


def test_nobody_has_no_sections() -> None:
    assert sections_for(None) == ()
    assert sections_for(_actor()) == ()


def test_section_without_a_page_is_left_out() -> None:
    """The test site has no Record."""
    labels = [section.label for section in linked_sections(_actor(Role.LEAD), "x")]
    assert labels == ["Today", "Calendar", "Volunteers", "Safety", "Set-up"]


@pytest.mark.parametrize(
    ("name", "path", "key"),
    [
        ("volunteers", "/s/x/volunteers/", "volunteers"),
        ("volunteer", "/s/x/volunteers/SL-1/", "volunteers"),
        ("visit", "/s/x/visits/1/", "today"),
        ("home", "/s/x/", ""),
        ("", "/elsewhere/", ""),
    ],
)
def test_page_belongs_to_a_section(name: str, path: str, key: str) -> None:
    assert current_section(name, path, linked_sections(_actor(Role.CLINICIAN), "x")) == key


def test_sections_cover_the_house_once() -> None:
    keys = [section.key for section in SECTIONS]
    assert len(keys) == len(set(keys)) == 8


def test_sign_in_page_works_without_script() -> None:
    page = Client().get("/sign-in/?next=/s/x/").content.decode()
    assert 'name="username"' in page
    assert 'autocomplete="current-password"' in page
    assert '<input type="hidden" name="next" value="/s/x/">' in page
    assert "Sections" not in page


@pytest.mark.django_db
@pytest.mark.database
class TestSignedIn:
    """With a study and people in it."""

    def _page(self, study: Any, user: Any, client_of: Any, page: str = "today/") -> str:
        return re.sub(r"\s+", " ", client_of(user).get(f"/s/{study.slug}/{page}").content.decode())

    def test_frame_names_study_person_role_and_whom_to_call(
        self, study: Any, clinician: Any, client_of: Any
    ) -> None:
        page = self._page(study, clinician, client_of)
        for words in (
            study.short_title,
            "Milo Hartwell",
            "Clinician (supervising physician)",
            'lang="en"',
        ):
            assert words in page
        assert '<a href="tel:911">911</a>' in page
        assert '<a href="tel:+19025550143">+1 902 555 0143</a>' in page
        assert '<form class="site-leave" method="post" action="/sign-out/">' in page
        assert "does not replace a doctor" in page
        assert 'href="/s/slide-story/today/" aria-current="page">Today<' in page
        assert page.count("aria-current") == 1

    def test_pharmacist_sees_no_volunteers(
        self, study: Any, pharmacist: Any, client_of: Any
    ) -> None:
        page = self._page(study, pharmacist, client_of, "dispensary/")
        assert re.findall(r'<li><a href="[^"]+"[^>]*>([^<]+)</a></li>', page) == [
            "Dispensary",
            "Set-up",
        ]

    def test_unconfirmed_limits_are_said_until_confirmed(
        self, study: Any, clinician: Any, client_of: Any
    ) -> None:
        words = "Limits of protocol version 1 are not confirmed: dosing is refused."
        assert words in self._page(study, clinician, client_of)
        cast.confirm_limits(study, clinician)
        assert words not in self._page(study, clinician, client_of)

    def test_set_clock_is_said(
        self, study: Any, clinician: Any, client_of: Any, settings: Any
    ) -> None:
        assert "Demonstration clock" not in self._page(study, clinician, client_of)
        settings.CLOCK_OFFSET = timedelta(days=-3)
        assert re.search(
            r"Demonstration clock: it is <time [^>]+>\w{3} \d",
            self._page(study, clinician, client_of),
        )

    def test_change_of_study_is_offered_to_those_who_have_two(
        self, study: Any, coordinator: Any, clinician: Any, client_of: Any, settings: Any
    ) -> None:
        second = cast.make_study(slug="second-study", prefix="SS")
        cast.join(coordinator, second, Role.COORDINATOR)
        settings.ROOT_URLCONF = "tests.look.site_of_studies"
        assert "Change study" in self._page(study, coordinator, client_of)
        assert "Change study" not in self._page(study, clinician, client_of)

    def test_form_lists_its_errors_with_links_into_the_fields(
        self, study: Any, clinician: Any, client_of: Any
    ) -> None:
        page = (
            client_of(clinician).post(f"/s/{study.slug}/parts/", {"pulse": "fast"}).content.decode()
        )
        summary = page[page.index("data-error-summary") : page.index("</section>")]
        assert "The readings do not fit each other." in summary
        targets = re.findall(r'href="#([^"]+)"', summary)
        assert targets == ["id_pulse", "id_asthma_0", "id_cuff", "id_seen"]
        for target in targets:
            assert page.count(f'id="{target}"') == 1
        assert 'name="form_key"' in page
        assert 'value="fast"' in page

    def test_pager_keeps_the_rest_of_the_query(
        self, study: Any, clinician: Any, client_of: Any
    ) -> None:
        page = self._page(study, clinician, client_of, "parts/?state=held&page=2")
        assert 'rel="next" href="?state=held&amp;page=3"' in page
        assert "Page 2 of 3, 30 in all" in page
