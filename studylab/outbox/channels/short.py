"""Handing a short message to the site's gateway; what its answer means is decided in `gateway`."""

from dataclasses import dataclass

from studylab.outbox.gateway import Taken
from studylab.outbox.rules.states import Outcome
from studylab.outbox.texting import gateway

_OUTCOMES = {
    Taken.TAKEN: Outcome.SENT,
    Taken.LATER: Outcome.LATER,
    Taken.REFUSED: Outcome.REFUSED,
    Taken.UNKNOWN: Outcome.UNKNOWN,
}


@dataclass(frozen=True, slots=True)
class ShortReady:
    """A short message that is ready to go."""

    to: str
    text: str
    reference: str

    def send(self) -> tuple[Outcome, str]:
        """Hand it over and return what became of it."""
        way = gateway()
        if way is None:
            return Outcome.LATER, "Short messages were switched off."
        answer = way.send(to=self.to, text=self.text, reference=self.reference)
        return _OUTCOMES[answer.taken], answer.reason

    def leave(self) -> None:
        """Send nothing after all."""
