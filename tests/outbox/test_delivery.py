"""Reports of mails that were not delivered, in the shape of RFC 3464 (its examples in appendix E) and broken ones."""

import random

import pytest

from studylab.outbox.rules.delivery import Outcome, read_report
from studylab.outbox.rules.return_path import base_problem, number_in, return_path, token_of

KEY, OTHER = b"k" * 32, b"o" * 32
BASE = "bounces@lab.example"


def report(
    to: str, *recipients: str, kind: str = "multipart/report; report-type=delivery-status"
) -> bytes:
    blocks = "\r\n\r\n".join(recipients)
    return (
        f"From: Mail Delivery Subsystem <MAILER-DAEMON@mail.example>\r\nTo: {to}\r\n"
        "Subject: Returned mail\r\nAuto-Submitted: auto-replied\r\nMIME-Version: 1.0\r\n"
        f'Content-Type: {kind}; boundary="XX"\r\n\r\n'
        "--XX\r\n\r\nYour message could not be delivered.\r\n\r\n"
        "--XX\r\nContent-Type: message/delivery-status\r\n\r\n"
        f"Reporting-MTA: dns; mx.mail.example\r\n\r\n{blocks}\r\n\r\n"
        "--XX\r\nContent-Type: message/rfc822\r\n\r\n"
        f"From: lab@lab.example\r\nMessage-ID: <{token_of(7, KEY)}@lab.example>\r\nSubject: x\r\n\r\nHello Ana\r\n"
        "--XX--\r\n"
    ).encode()


FAILED = (
    "Original-Recipient: rfc822;ana@mail.example\r\nFinal-Recipient: rfc822;ana@mail.example\r\n"
    "Action: failed\r\nStatus: 5.1.1\r\nDiagnostic-Code: smtp; 550 5.1.1 <ana@mail.example> unknown"
)


def test_a_failure_is_read_with_where_our_token_may_stand() -> None:
    to = return_path(BASE, 7, KEY)
    found = read_report(report(to, FAILED))
    assert found is not None
    assert found.outcomes == (Outcome("failed", "5.1.1"),)
    assert number_in(found.carriers, KEY) == 7
    assert number_in([to.upper()], KEY) == 7
    assert "ana" not in repr(found).lower()


def test_the_mail_that_came_back_names_itself_too() -> None:
    found = read_report(report("postmaster@lab.example", FAILED))
    assert found is not None
    assert number_in(found.carriers, KEY) == 7


def test_each_recipient_has_an_outcome_and_odd_spellings_are_read() -> None:
    late = "Final-Recipient: rfc822; ben@mail.example\r\nACTION: Delayed\r\nstatus: 4.04.007 (will try on)"
    found = read_report(report("x@lab.example", FAILED, late))
    assert found is not None
    assert found.outcomes == (Outcome("failed", "5.1.1"), Outcome("delayed", "4.4.7"))


@pytest.mark.parametrize(
    ("action", "status", "failed", "bad"),
    [
        ("failed", "5.1.1", True, True), ("failed", "5.1.10", True, True), ("failed", "5.2.1", True, True),
        ("failed", "5.1.8", True, False), ("failed", "5.2.2", True, False), ("failed", "5.7.1", True, False),
        ("failed", "4.4.7", True, False), ("delayed", "4.2.2", False, False), ("delivered", "2.1.5", False, False),
    ],
)  # fmt: skip
def test_what_is_the_addresss_own_fault(action: str, status: str, failed: bool, bad: bool) -> None:
    """Statuses by RFC 3463, 3.2 to 3.8: 5.1.8 is about the sender, 5.2.2 a full mailbox, 5.7.1 a policy."""
    outcome = Outcome(action, status)
    assert (outcome.failed, outcome.bad_address) == (failed, bad)


@pytest.mark.parametrize(
    "mail",
    [
        b"", b"\x00\xff", b"Subject: Away until Monday\r\nAuto-Submitted: auto-replied\r\n\r\nI am away. 5.1.1 failed",
        report("x@lab.example", FAILED, kind="multipart/mixed"),
        report("x@lab.example", "Final-Recipient: rfc822;ana@mail.example\r\nAction: failed"),
        report("x@lab.example", "Action: opened\r\nStatus: 5.1.1"),
    ],
)  # fmt: skip
def test_anything_else_is_no_report(mail: bytes) -> None:
    assert read_report(mail) is None


def test_broken_reports_never_raise() -> None:
    whole, chance = report(return_path(BASE, 7, KEY), FAILED), random.Random(20261129)
    for _ in range(400):
        broken = bytearray(whole)
        for _ in range(chance.randrange(1, 12)):
            at = chance.randrange(len(broken))
            choice = chance.randrange(3)
            if choice == 0:
                broken[at] = chance.randrange(256)
            elif choice == 1:
                del broken[at : at + chance.randrange(40)]
            else:
                broken[at:at] = bytes(chance.randrange(256) for _ in range(5))
        found = read_report(bytes(broken))
        assert found is None or found.outcomes


def test_only_our_key_makes_a_token_that_counts() -> None:
    assert number_in([return_path(BASE, 7, OTHER)], KEY) is None
    assert number_in([return_path(BASE, 7, KEY).replace("+7-", "+8-")], KEY) is None
    assert number_in(["", "bounces@lab.example", "+7-"], KEY) is None
    assert number_in([return_path(BASE, 2**59, KEY)], KEY) == 2**59


def test_the_address_of_return_fits_its_limits() -> None:
    """At most 64 octets before the "@" (RFC 5321, 4.5.3.1.1)."""
    longest = "b" * 27
    assert base_problem(f"{longest}@lab.example") == ""
    assert len(return_path(f"{longest}@lab.example", 2**60 - 1, KEY).rpartition("@")[0]) <= 64
    assert "27 characters" in base_problem(f"{longest}b@lab.example")
    assert "without a plus" in base_problem("a+b@lab.example")
    assert base_problem("lab.example")
