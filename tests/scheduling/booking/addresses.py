"""Addresses of the booking pages, and how tests read them."""

import re

from django.test import Client
from django.urls import reverse

from studylab.participants.models import Participant
from tests.scheduling import lab as the_lab

WEEK = the_lab.wishes("2026-11-24", "2026-11-30")
WISHES = "first_day=2026-11-24&last_day=2026-11-30&not_earlier=09:00"


def book_url(who: Participant) -> str:
    return reverse("series_book", kwargs={"study": "slide-story", "code": who.code})


def series_url(who: Participant) -> str:
    return reverse("series_view", kwargs={"study": "slide-story", "code": who.code})


def tokens(html: str) -> list[str]:
    return re.findall(r'name="option" value="([^"]+)"', html)


def page(client: Client, url: str, status: int = 200) -> str:
    answer = client.get(url)
    assert answer.status_code == status
    return answer.content.decode()
