"""The demonstration, loaded through the services, looked at by every role: no page breaks, no arm shows."""

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.management import call_command
from django.test import Client
from django.urls import reverse

from scheduling.models import Visit
from scheduling.selectors.today import today_of
from studylab import clock
from studylab.access import ROLE_CAPS, Cap, Role
from studylab.audit.selectors import verify_chain
from studylab.management.demo.cast import SIGN_INS
from studylab.participants.models import Participant
from studylab.people.models import User
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

pytestmark = [pytest.mark.database, pytest.mark.slow, pytest.mark.django_db(transaction=True)]
SECTIONS = {
    "home": Cap.HOME_VIEW,
    "people_on_path": Cap.VOLUNTEER_VIEW,
    "today": Cap.TODAY_VIEW,
    "calendar": Cap.CALENDAR_VIEW,
    "volunteers": Cap.VOLUNTEER_VIEW,
    "sign_off_queue": Cap.SIGN_OFF,
    "dispensary": Cap.DISPENSE,
    "safety": Cap.SAFETY_VIEW,
    "record": Cap.RECORD_VIEW,
    "set_up": Cap.SETUP_VIEW,
    "commitment": Cap.STUDY_VIEW,
}


def test_demo_is_whole_for_every_role(settings, tmp_path, monkeypatch):
    """Load it, then open every section, every volunteer and every visit of the day as each role."""
    settings.STATE_DIR = tmp_path
    monkeypatch.setenv("STUDYLAB_TODAY", "2026-11-25")
    call_command("load_demo")
    now = datetime(2026, 11, 25, 12, 41, tzinfo=ZoneInfo("America/Halifax"))
    with clock.travel(now):
        study = Study.objects.get()
        words = {row.word for row in today_of(study, now.date(), at=now)}
        assert {"due", "under way", "waiting", "held", "done"} <= words, words
        assert Participant.objects.count() >= 40
        assert verify_chain().intact
        for member in SIGN_INS:
            _look_around(study, member.role, User.objects.get(email=member.email), now)


def _look_around(study: Study, role: Role, user: User, now: datetime) -> None:
    client = Client()
    client.force_login(user)
    arms = [arm.name for arm in current_protocol(study).plan.allocation.arms]
    for name, cap in SECTIONS.items():
        answer = client.get(reverse(name, kwargs={"study": study.slug}))
        assert answer.status_code == (200 if cap in ROLE_CAPS[role] else 403), (role, name)
    if Cap.VOLUNTEER_VIEW not in ROLE_CAPS[role]:
        return
    today = (now - timedelta(hours=12), now + timedelta(hours=12))
    pages = [
        *(
            reverse("volunteer", kwargs={"study": study.slug, "code": person.code})
            for person in Participant.objects.all()
        ),
        *(
            reverse("visit", kwargs={"study": study.slug, "uid": visit.uid})
            for visit in Visit.objects.filter(planned__startswith__range=today)
        ),
    ]
    for page in pages:
        answer = client.get(page)
        assert answer.status_code == 200, (role, page)
        for arm in arms:
            assert arm not in answer.content.decode(), (role, page, arm)
