"""Errors that services raise and pages turn into answers."""

from collections.abc import Sequence


class StudylabError(Exception):
    """Base of every refusal that a person should read. `message` is a full sentence."""

    status = 400

    def __init__(self, message: str, *, field: str | None = None, code: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.field = field
        self.code = code


class Refused(StudylabError):
    """The rules of the study or of the house forbid this; the message says why and what helps."""

    status = 422


class RefusedWithReasons(Refused):
    """A refusal with several reasons, each a full sentence."""

    def __init__(self, message: str, reasons: Sequence[str], *, code: str = "") -> None:
        super().__init__(message, code=code)
        self.reasons = tuple(reasons)


class Conflict(StudylabError):
    """Somebody else was first, or the record changed meanwhile."""

    status = 409


class ReadOnly(StudylabError):
    """The site takes nothing for the moment, for example while it is upgraded."""

    status = 503


class NotAllowed(StudylabError):
    """The actor lacks the capability."""

    status = 403
