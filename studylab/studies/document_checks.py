"""What the apps above find wrong with a study document, beside what the loader itself looks at.

Each app registers its check once, in `AppConfig.ready`. Checks run when a document is added, so that what a study
may not do is said at once, with the key and the fix, and never first on somebody's page.
"""

from collections.abc import Callable, Iterable

from studylab.studies.rules.loader import load_protocol
from studylab.studies.rules.problems import Problem, ProtocolInvalid
from studylab.studies.rules.protocol import Protocol

_registered: dict[str, Callable[[Protocol], Iterable[Problem]]] = {}


def register_document_check(name: str, check: Callable[[Protocol], Iterable[Problem]]) -> None:
    """Register one app's check; the same name again replaces it."""
    _registered[name] = check


def checked_protocol(document: str) -> Protocol:
    """Return the protocol of a document that is to be added; raises ProtocolInvalid with all that is wrong."""
    protocol = load_protocol(document)
    problems = [problem for check in _registered.values() for problem in check(protocol)]
    if problems:
        raise ProtocolInvalid(problems)
    return protocol
