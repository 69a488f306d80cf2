"""Turns the text of a study document into a `Protocol`, or names everything that is wrong with it.

The document is TOML (toml.io, version 1.0). Loading has two passes: `loader_parts` and `loader_limits`
read every value on its own, then `checks` compares values with each other. Nothing is assumed: what is
missing is a problem, what is unknown is a problem.
"""

import hashlib
import re
import tomllib
from functools import lru_cache
from typing import Any, get_args
from zoneinfo import available_timezones

from studylab.studies.rules import checks
from studylab.studies.rules.loader_limits import read_limits
from studylab.studies.rules.loader_parts import (
    read_allocation,
    read_follow_up,
    read_questions,
    read_spacings,
    read_supply,
    read_turnaround,
    read_visits,
    read_waits,
)
from studylab.studies.rules.loader_safety import read_safety
from studylab.studies.rules.loader_texts import read_texts
from studylab.studies.rules.message_plan import read_messages
from studylab.studies.rules.notices import read_notices
from studylab.studies.rules.payments import read_payments
from studylab.studies.rules.problems import Problem, Problems, ProtocolInvalid
from studylab.studies.rules.progress import read_progress
from studylab.studies.rules.protocol import Protocol, Replaced
from studylab.studies.rules.reader import Table, nearest
from studylab.studies.rules.retention import read_retention
from studylab.studies.rules.reviews import read_reviews

__all__ = ["Problem", "ProtocolInvalid", "load_protocol", "protocol_from_data", "protocol_hash"]

LONGEST_DOCUMENT = 500_000  # characters; a real one has about 20,000


def load_protocol(text: str) -> Protocol:
    """Return the protocol that the TOML document `text` describes.

    Raises `ProtocolInvalid`, whose `problems` list every wrong key with its fix; a document that is not
    TOML gives one problem with the line number.
    """
    if len(text) > LONGEST_DOCUMENT:
        raise _unreadable(
            "The document is too long.", f"Keep it under {LONGEST_DOCUMENT} characters."
        )
    try:
        text.encode("utf-8")
        data = tomllib.loads(text)
    except UnicodeEncodeError as error:
        line = text.count("\n", 0, error.start) + 1
        message = f"Line {line} holds a character that cannot be stored."
        raise _unreadable(message, "Save the document as UTF-8 and load it again.") from error
    except RecursionError as error:
        raise _unreadable("Lists or tables are nested too deeply.", "Nest fewer.") from error
    except ValueError as error:  # TOMLDecodeError, and numbers too long for Python
        raise _not_toml(text, error) from error
    return protocol_from_data(data)


def protocol_from_data(data: dict[str, Any]) -> Protocol:
    """Return the protocol for an already parsed document; raises `ProtocolInvalid` as above."""
    problems = Problems()
    protocol = _read(Table(data, "", problems))
    checks.check(protocol, problems)
    problems.raise_if_any()
    return protocol


def protocol_hash(text: str) -> str:
    """Return the SHA-256 of exactly this text (UTF-8), as 64 hexadecimal characters."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def _read(document: Table) -> Protocol:
    protocol = Protocol(
        slug=document.text(
            "slug",
            pattern=r"[a-z0-9]+(-[a-z0-9]+)*",
            rule="Use small letters, digits and single hyphens.",
        ),
        title=document.text("title"),
        short_title=document.text("short_title"),
        summary=document.text("summary"),
        timezone=_timezone(document),
        country=document.text(
            "country", pattern="[A-Z]{2}", rule='Use the two capital letters of ISO 3166-1, "CA".'
        ),
        subdivision=_subdivision(document),
        emergency_number=_phone(document, "emergency_number"),
        phone_24h=_phone(document, "phone_24h"),
        target=document.whole("target", low=1, high=100_000),
        consent_version=document.text("consent_version"),
        substance=document.text("substance"),
        visits=(visits := read_visits(document)),
        spacings=read_spacings(document),
        waits=read_waits(document),
        turnaround=read_turnaround(document),
        limits=read_limits(document),
        questions=read_questions(document),
        allocation=read_allocation(document),
        supply=read_supply(document),
        follow_up=read_follow_up(document),
        safety=read_safety(document),
        currency=document.text(
            "currency", pattern="[A-Z]{3}", rule='Use the three capital letters of ISO 4217, "CAD".'
        ),
        replaced=document.one_of("replaced", get_args(Replaced), default="before_dose"),
        progress=read_progress(document),
        texts=read_texts(document, tuple(visit.key for visit in visits)),
        messages=read_messages(document),
        payments=read_payments(document),
        retention=read_retention(document),
        notices=read_notices(document),
        reviews=read_reviews(document),
    )
    document.close()
    return protocol


@lru_cache(maxsize=1)
def _zones() -> frozenset[str]:
    # Listing the zones walks a directory tree, and they do not change while the program runs.
    return frozenset(available_timezones())


def _timezone(document: Table) -> str:
    name = document.text("timezone")
    if name and name not in _zones():
        near = nearest(name, _zones()) if len(name) > 2 else ""
        fix = near if near.startswith("Did") else 'Use a name such as "America/Halifax".'
        document.wrong("timezone", f'"{name}" is not a time zone of the IANA list.', fix)
        return ""
    return name


def _subdivision(document: Table) -> str:
    """Return the part of the country whose holidays count; countries without parts leave it out."""
    if not document.has("subdivision"):
        return document.text("subdivision", default="")
    return document.text(
        "subdivision",
        pattern="[A-Za-z0-9-]{1,10}",
        rule='Use the short code of ISO 3166-2 after the hyphen, "NS", or leave the key out.',
    )


def _phone(document: Table, name: str) -> str:
    return document.text(
        name,
        pattern=r"[^\n]*\d[^\n]*\d[^\n]*",
        rule="Write the number as it is dialled from the site; a study cannot start without it.",
    )


def _unreadable(message: str, fix: str) -> ProtocolInvalid:
    return ProtocolInvalid([Problem("", message, fix)])


def _not_toml(text: str, error: ValueError) -> ProtocolInvalid:
    reason = str(error)
    at = re.search(r" \(at line (\d+), column (\d+)\)$", reason)
    if at:
        message = f"Line {at[1]}, column {at[2]} is not TOML: {reason[: at.start()]}."
        return _unreadable(message, f"Mend line {at[1]} and load the document again.")
    if reason.endswith(" (at end of document)"):
        line = text.rstrip("\n").count("\n") + 1
        reason = reason.removesuffix(" (at end of document)")
        message = f"Line {line}, the last one, is not TOML: {reason}."
        return _unreadable(message, "Something is left open at the end; close it and load again.")
    line = _longest_number_line(text)
    message = f"Line {line} holds a value that cannot be read."
    return _unreadable(message, f"Mend line {line}: it probably holds a far too long number.")


def _longest_number_line(text: str) -> int:
    """Return the line of the longest run of digits, the one that Python refused to convert."""
    runs = list(re.finditer(r"[0-9_]+", text))
    if not runs:
        return 1
    longest = max(runs, key=lambda run: run.end() - run.start())
    return text.count("\n", 0, longest.start()) + 1
