"""What somebody does about a message that did not go out, from where it stands and what was answered. Pure.

`answer` is what the mail server or the gateway said, without anybody's address.
"""

import re

from studylab.outbox.rules.delivery import Outcome
from studylab.outbox.rules.states import State

# RFC 5321, 4.2.3: without an enhanced status (RFC 3463), 550, 551 and 553 are about the mailbox.
_MAILBOX = ("550", "551", "553")
_ANSWER = re.compile(r"(5\d\d) (?:(5\.\d{1,3}\.\d{1,3})\b)?")
_GATEWAY = "The gateway"

ADDRESS = "The e-mail address is not known there. Ask for the right one and change the contact details, then have it sent again."  # fmt: skip
POLICY = "Their mail system does not take this mail. Call the volunteer, and tell whoever runs the site the answer."  # fmt: skip
NUMBER = "The gateway does not take it. Check the telephone number with the volunteer, or tell them another way."  # fmt: skip
_REST = {
    State.QUESTION: "Ask the volunteer whether it came, or have it sent again.",
    State.FAILED: "Tell the volunteer another way.",
    State.TOO_LATE: "It is too late for a message: call the volunteer if it still matters.",
}


def about_address(answer: str) -> bool:
    """Whether a mail server's refusal is about the address, so that the next mail would be refused too."""
    found = _ANSWER.match(answer)
    if found is None:
        return False
    code, status = found.groups()
    return Outcome("failed", status).bad_address if status else code in _MAILBOX


def status_in(answer: str) -> str:
    """Return the enhanced status (RFC 3463) of a refusal; 5.0.0, no more known than that, where it names none."""
    found = _ANSWER.match(answer)
    return (found.group(2) if found else None) or "5.0.0"


def what_to_do(state: str, answer: str) -> str:
    """Return in a sentence or two what a person does about it; "" where there is nothing to do."""
    if state != State.REFUSED:
        return _REST.get(State(state), "")
    if answer.startswith(_GATEWAY):
        return NUMBER
    return ADDRESS if about_address(answer) else POLICY
