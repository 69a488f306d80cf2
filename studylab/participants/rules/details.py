"""Contact details and what is wrong with them."""

import re
import unicodedata
from dataclasses import dataclass
from datetime import date

from studylab.participants.rules.identity import Particulars

OLDEST_YEARS = 120  # nobody on record lived past 122
LONGEST = {"family_name": 100, "given_names": 100, "email": 254, "phone": 30, "address": 400,
           "emergency_name": 100, "emergency_phone": 30}  # fmt: skip
# Dots stand between other characters only (RFC 5321 dot-string).
_LOCAL = re.compile(r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+(\.[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+)*")
_LABEL = re.compile(r"[A-Za-z0-9]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?")
_PHONE = re.compile(r"\+?[0-9 ()/.\-\u00a0]+")
PHONE_LEAST, PHONE_MOST = 6, 15  # 15 digits: the most of an international number (ITU-T E.164)


@dataclass(frozen=True, slots=True)
class ContactDetails:
    """Everything that names a person. Empty text where not given; e-mail or phone is always there."""

    family_name: str
    given_names: str
    birth_date: date
    email: str = ""
    phone: str = ""
    address: str = ""
    emergency_name: str = ""
    emergency_phone: str = ""

    @property
    def particulars(self) -> Particulars:
        """What the person is recognised by."""
        return Particulars(
            family_name=self.family_name,
            given_names=self.given_names,
            birth_date=self.birth_date,
            email=self.email,
            phone=self.phone,
        )


def age_on(born: date, today: date) -> int:
    """Return whole years on a day; somebody born on 29 February turns on 1 March in other years."""
    return today.year - born.year - ((today.month, today.day) < (born.month, born.day))


def details_problems(details: ContactDetails, today: date) -> dict[str, str]:
    """Return what is wrong, by field, each with its fix; empty when nothing is.

    `today` is the local day of the study.
    """
    problems: dict[str, str] = {}
    for field, limit in LONGEST.items():
        text = getattr(details, field)
        if len(text) > limit:
            problems[field] = f"This has {len(text)} characters, at most {limit} fit. Shorten it."
        elif any(unicodedata.category(c) == "Cc" and c not in "\r\n" for c in text):
            problems[field] = (
                "This contains a control character. Type it again instead of pasting it."
            )
    for field in ("family_name", "given_names"):
        if not any(character.isalpha() for character in getattr(details, field)):
            problems.setdefault(
                field, "Enter the name as in an identity document; it needs a letter."
            )
    checks = {
        "birth_date": birth_problem(details.birth_date, today),
        "email": email_problem(details.email) if details.email else "",
        "phone": phone_problem(details.phone) if details.phone else "",
        "emergency_phone": phone_problem(details.emergency_phone)
        if details.emergency_phone
        else "",
    }
    for field, problem in checks.items():
        if problem:
            problems.setdefault(field, problem)
    if not details.email and not details.phone:
        problems.setdefault(
            "phone", "Enter a phone number or an e-mail address, so that the person can be reached."
        )
    return problems


def birth_problem(born: date, today: date) -> str:
    """Return why a birth date cannot be right, or ""."""
    if born > today:
        return "This birth date is in the future. Check the year."
    years = age_on(born, today)
    if years >= OLDEST_YEARS:
        return f"This would make the volunteer {years} years old. Check the year."
    if years < 1:
        return "This would make the volunteer a baby. Check that it is the birth date and not today's date."
    return ""


def email_problem(email: str) -> str:
    """Return why mail cannot be sent to this address, with the fix, or "".

    A local part beyond ASCII is refused here, since many mail systems deliver it nowhere.
    """
    local, at, domain = email.rpartition("@")
    if not at or not local or not domain:
        return "An e-mail address has a name, an @ and a domain, for example name@mail.example."
    odd = next((c for c in local if ord(c) > 126), None)
    if odd is not None:
        return (
            f"“{odd}” before the @ cannot be delivered by many mail systems. Ask for the address in plain "
            "letters, or for another one."
        )
    if len(local) > 64 or not _LOCAL.fullmatch(local):
        return (
            "The part before the @ is not right: no spaces or commas, no dot at its ends. Check it."
        )
    try:
        labels = domain.encode("idna").decode("ascii").split(".")
    except UnicodeError:
        labels = []
    if len(labels) < 2 or not all(_LABEL.fullmatch(label) for label in labels):
        return "The part after the @ is no domain. It looks like mail.example; check for spaces and commas."
    return ""


def phone_problem(phone: str) -> str:
    """Return why this is no phone number, with the fix, or ""."""
    if not _PHONE.fullmatch(phone):
        return "A phone number has digits, spaces and a leading + only. Put notes elsewhere."
    count = sum(character.isdigit() for character in phone)
    if count < PHONE_LEAST:
        return f"This has {count} digits only. Enter the whole number with its area code."
    if count > PHONE_MOST:
        return f"This has {count} digits; a phone number has at most {PHONE_MOST}. Enter one number only."
    return ""
