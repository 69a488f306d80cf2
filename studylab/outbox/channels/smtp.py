"""Handing a mail to the site's mail server (RFC 5321), one recipient each, told apart by how far it got.

Up to the answer to DATA it is sure that nothing left: such a mail may be tried again. From the first byte of its
content to the server's answer nobody can know, so a silence there is "unknown" and never tried again by itself.
"""

import re
import smtplib
import ssl
import time
from dataclasses import dataclass
from typing import NoReturn

from django.conf import settings

from studylab.outbox.rules.states import Outcome

MOST_MAILS, MOST_IDLE = 100, 20.0  # mails on one connection; seconds that it may lie idle
# A server may look at the content before it answers; RFC 5321, 4.5.3.2.6 would give it ten minutes.
FINAL = 6  # times as long as for other answers
_BROKEN = (OSError, smtplib.SMTPServerDisconnected)
_DOT = re.compile(rb"(?m)^\.")
_ADDRESS = re.compile(r"[^\s<>\"']+@[^\s<>\"']+")
_SITE = "The mail server did not let us in: {answer}"


class HandOver(Exception):
    """A mail was not taken, or nobody knows: the outcome, and the answer without anybody's address."""

    def __init__(self, outcome: Outcome, answer: str) -> None:
        super().__init__(answer)
        self.outcome, self.answer = outcome, answer


@dataclass(slots=True)
class Ready:
    """A mail whose addressee the server has accepted; `send` hands over its content."""

    channel: "SmtpChannel"
    to: str
    content: bytes

    def send(self) -> tuple[Outcome, str]:
        """Hand the content over and return what became of it."""
        try:
            return Outcome.SENT, self.channel.deliver(self.to, self.content)
        except HandOver as told:
            return told.outcome, told.answer

    def leave(self) -> None:
        """Send nothing after all."""
        self.channel.close()


class SmtpChannel:
    """A connection that is kept for some mails. One for each worker process; not for several threads."""

    def __init__(self) -> None:
        self._smtp: smtplib.SMTP | None = None
        self._mails, self._used = 0, 0.0

    def prepare(self, sender: str, to: str, content: bytes) -> Ready:
        """Name sender and addressee to the server; HandOver when it is known already that nothing can go."""
        kept = self._fresh()
        try:
            self._envelope(sender, to)
        except _BROKEN as problem:
            self.close()
            if not kept:
                raise HandOver(Outcome.LATER, _no_answer(problem)) from None
            # A server may end a connection that lay idle; that says nothing about this mail.
            try:
                self._fresh()
                self._envelope(sender, to)
            except _BROKEN as again:
                self.close()
                raise HandOver(Outcome.LATER, _no_answer(again)) from None
        return Ready(self, to, content)

    def deliver(self, to: str, content: bytes) -> str:
        """Send DATA and the content; return the server's answer when it took the mail."""
        smtp = self._smtp
        assert smtp is not None
        try:
            code, reply = smtp.docmd("DATA")
        except _BROKEN as problem:
            self.close()
            raise HandOver(Outcome.LATER, _no_answer(problem)) from None
        if code != 354:
            self._judge(code, reply, to)
        try:
            if smtp.sock is not None:
                smtp.sock.settimeout(settings.SMTP_SECONDS * FINAL)
            smtp.send(_DOT.sub(b"..", content) + b".\r\n")
            code, reply = smtp.getreply()
            if smtp.sock is not None:
                smtp.sock.settimeout(settings.SMTP_SECONDS)
        except _BROKEN as problem:
            self.close()
            raise HandOver(
                Outcome.UNKNOWN, f"After the content was begun: {_no_answer(problem)}"
            ) from None
        self._mails += 1
        self._used = time.monotonic()
        if not 200 <= code < 300:
            self._judge(code, reply, to)
        return _said(code, reply, to)

    def close(self) -> None:
        """End the connection, whatever state it is in."""
        if self._smtp is not None:
            self._smtp.close()
            self._smtp = None

    def _fresh(self) -> bool:
        """Have a connection; return whether it is one that was kept."""
        idle = time.monotonic() - self._used
        if self._smtp is not None and self._mails < MOST_MAILS and idle < MOST_IDLE:
            return True
        self.close()
        try:
            self._smtp = _connect()
        except smtplib.SMTPResponseException as problem:
            answer = _said(problem.smtp_code, problem.smtp_error, "")
            raise HandOver(Outcome.LATER, _SITE.format(answer=answer)) from None
        except (*_BROKEN, smtplib.SMTPException) as problem:
            raise HandOver(Outcome.LATER, _no_answer(problem)) from None
        self._mails, self._used = 0, time.monotonic()
        return False

    def _envelope(self, sender: str, to: str) -> None:
        assert self._smtp is not None
        code, reply = self._smtp.mail(sender)
        if code == 250:
            code, reply = self._smtp.rcpt(to)
        if code not in (250, 251):
            self._judge(code, reply, to)

    def _judge(self, code: int, reply: bytes, to: str) -> NoReturn:
        """End with what a negative answer means: 4 for the moment, 5 for good (RFC 5321, 4.2.1)."""
        self.close()
        outcome = Outcome.REFUSED if 500 <= code < 600 else Outcome.LATER
        raise HandOver(outcome, _said(code, reply, to))


def _connect() -> smtplib.SMTP:
    host, port, seconds = settings.SMTP_HOST, settings.SMTP_PORT, settings.SMTP_SECONDS
    name = settings.MAIL_FROM.rpartition("@")[2]
    smtp: smtplib.SMTP
    if settings.SMTP_SECURITY == "tls":
        safe = ssl.create_default_context()
        smtp = smtplib.SMTP_SSL(host, port, local_hostname=name, timeout=seconds, context=safe)
    else:
        smtp = smtplib.SMTP(host, port, local_hostname=name, timeout=seconds)
    try:
        smtp.ehlo_or_helo_if_needed()
        if settings.SMTP_SECURITY == "starttls":
            smtp.starttls(context=ssl.create_default_context())
            smtp.ehlo()
        if settings.SMTP_USER:
            smtp.login(settings.SMTP_USER, settings.SMTP_PASSWORD)
    except BaseException:
        smtp.close()
        raise
    return smtp


def _no_answer(problem: BaseException) -> str:
    if isinstance(problem, TimeoutError) or "timed out" in str(problem):
        return f"The mail server did not answer within {settings.SMTP_SECONDS} seconds."
    if isinstance(problem, ssl.SSLError):
        return "No secure connection to the mail server could be made."
    if isinstance(problem, smtplib.SMTPServerDisconnected):
        return "The mail server broke off the connection."
    if isinstance(problem, OSError):
        return f"The mail server could not be reached ({problem.strerror or 'no reason given'})."
    return "The mail server does not offer what the settings ask for."


def _said(code: int, reply: bytes | str, to: str) -> str:
    """Return an answer in which nobody can be recognised: no address, and no name that stands in one."""
    text = reply.decode("ascii", "replace") if isinstance(reply, bytes) else reply
    text = _ADDRESS.sub("[address]", " ".join(text.split()))
    for name in {to, to.partition("@")[0]} - {""}:
        text = re.sub(re.escape(name), "[address]", text, flags=re.IGNORECASE)
    return f"{code} {text}"[:300]
