"""Every page of the volunteer's own in Canadian French: nothing is left in English (case F-25)."""

import re
from uuid import uuid4

import pytest
from django.urls import reverse
from django.utils.translation import trans_real

from scheduling.models import Series
from studylab.access import Actor
from studylab.participants.models import Participant, VolunteerWord
from tests.scheduling.calendar.test_my_visits import ana, booked, phone_of
from tests.selfreport.phone import text_of
from tests.selfreport.test_french import Texts

__all__ = ["ana", "booked"]
pytestmark = [pytest.mark.django_db]


def test_every_page_is_whole(
    booked: Series, ana: Participant, booker: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    for catalog in trans_real.translation("fr-ca")._catalog._catalogs:
        for key, value in list(catalog.items()):
            if key and value and isinstance(value, str):
                monkeypatch.setitem(catalog, key, f"⟦{value}⟧")
    phone = phone_of(ana, booker, "fr-ca")
    phone.send(reverse("my_unwell"), {"key": str(uuid4()), "text": "Étourdie", "since": "midi"})
    word = VolunteerWord.objects.get()
    pages = [phone.get(reverse(name)) for name in ("my_unwell", "my_medicine", "my_withdraw")]
    pages += [phone.get(reverse(name, args=[1])) for name in ("my_visit_cancel", "my_visit_times")]
    pages += [
        phone.get(reverse("my_word", args=[word.uid])),
        phone.get(reverse("my_visits")),
        phone.send(reverse("my_unwell"), {"text": "", "since": "", "key": ""}),
        phone.send(reverse("my_visit_times", args=[1]), {"option": "x"}),
    ]
    left = phone.send(reverse("my_withdraw"), {"key": str(uuid4()), "text": ""})
    pages += [
        phone.get(left["Location"]),
        phone.get(reverse("my_visits")),
        phone.get(reverse("my_wishes")),
    ]
    pages.append(phone.send(reverse("my_wishes"), {}))
    phone.send(
        reverse("my_wishes"), {"safety_contact": "no", "use": "no_use", "contact_again": "yes"}
    )
    pages.append(phone.get(reverse("my_wishes")))
    for page in pages:
        parser = Texts()
        parser.feed(text_of(page))
        rest = " ".join(parser.found)
        while (inner := re.sub(r"⟦[^⟦⟧]*⟧", "", rest)) != rest:
            rest = inner
        assert not re.search(r"\b(the|visit|and|to|your|of|this|field|what|data)\b", rest), rest
