"""Who opens which page of volunteers, consents and deviations."""

from typing import Any

import pytest
from django.test import Client

from studylab.audit.models import Event
from studylab.participants.models import Participant
from tests.participants.people import text_of, url

pytestmark = [pytest.mark.django_db, pytest.mark.database]


PAGES = {
    "volunteers": {"coordinator", "clinician", "experimenter", "lead", "monitor"},
    "volunteer_add": {"coordinator"},
    "deviations": {"coordinator", "clinician", "experimenter", "lead", "monitor"},
    "deviation_add": {"coordinator", "clinician", "experimenter", "lead"},
}
PERSON_PAGES = {
    "volunteer_contact": {"coordinator", "clinician", "experimenter"},
    "consents": {"coordinator", "clinician", "experimenter", "lead", "monitor"},
    "consent_add": {"coordinator", "clinician", "experimenter"},
    "consent_correct": {"coordinator", "clinician", "experimenter"},
    "volunteer_withdraw": {"coordinator", "clinician"},
    "volunteer_end": {"coordinator", "clinician"},
    "hold_add": {"coordinator", "clinician", "experimenter"},
}
ROLES = ["coordinator", "clinician", "pharmacist", "experimenter", "lead", "monitor"]


@pytest.mark.parametrize("who", ROLES)
def test_who_opens_which_page(
    consented: Participant, study: Any, who: str, request: Any, client_of: Any
) -> None:
    """Whoever may gets the page with one heading, everybody else 403."""
    client = client_of(request.getfixturevalue(who))
    addresses = [(url(study, name), roles) for name, roles in PAGES.items()]
    addresses += [(url(study, n, consented.code), roles) for n, roles in PERSON_PAGES.items()]
    for address, roles in addresses:
        response = client.get(address)
        assert response.status_code == (200 if who in roles else 403), address
        if who in roles:
            assert text_of(response).count("<h1") == 1, address


@pytest.mark.parametrize("who", ROLES)
def test_who_changes_contact_details(
    ana: Participant, study: Any, who: str, request: Any, client_of: Any
) -> None:
    """The coordinator; everybody else is refused before anything is opened."""
    client = client_of(request.getfixturevalue(who))
    response = client.post(url(study, "volunteer_contact_change", ana.code))
    assert response.status_code == (200 if who == "coordinator" else 403)


def test_outsiders_and_strangers(
    ana: Participant, study: Any, outsider: Any, client_of: Any
) -> None:
    """Another study's staff find nothing, strangers are asked to sign in."""
    address = url(study, "volunteer_contact", ana.code)
    assert client_of(outsider).post(address).status_code == 404
    assert Client().post(address).status_code == 302
    assert not Event.objects.filter(action="volunteer.contact_read").exists()
