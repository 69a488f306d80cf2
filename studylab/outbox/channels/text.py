"""Handing a short message to the site's gateway, told apart by what is known of it as for mails."""

from dataclasses import dataclass

from studylab.outbox.gateway import Gateway, Taken
from studylab.outbox.rules.states import Outcome

_OUTCOMES = {
    Taken.TAKEN: Outcome.SENT,
    Taken.LATER: Outcome.LATER,
    Taken.REFUSED: Outcome.REFUSED,
    Taken.UNKNOWN: Outcome.UNKNOWN,
}


@dataclass(frozen=True, slots=True)
class TextReady:
    """A short message that is ready to be handed over; nothing has been said to the gateway yet."""

    gateway: Gateway
    to: str
    text: str
    reference: str

    def send(self) -> tuple[Outcome, str]:
        """Hand it over and return what became of it."""
        answer = self.gateway.send(to=self.to, text=self.text, reference=self.reference)
        return _OUTCOMES[answer.taken], answer.reason

    def leave(self) -> None:
        """Send nothing after all."""
