"""A mail server that is stubborn in every way once, and that can hold workers in the middle of a mail."""

import asyncio
from collections import Counter
from typing import Any

from aiosmtpd.smtp import SMTP

from tests.outbox.mail_server import Post, message_id


class Sink(Post):
    """`tests.outbox.mail_server.Post`, whose silences and breaks before the content happen to each addressee once."""

    def __init__(self) -> None:
        super().__init__(later=1)
        self.asked: Counter[str] = Counter()
        self.held: list[str] = []  # Message-IDs of mails whose answer is held back now
        self._room, self._after = 0, False

    def hold(self, many: int, *, after: bool) -> None:
        """Hold the next so many mails of simple addressees, before or after they are taken."""
        self._room, self._after = many, after

    def let_go(self) -> list[str]:
        """Answer those that are held, and return which they were."""
        held = list(self.held)
        self._room = 0
        self.held.clear()
        return held

    async def handle_RCPT(
        self, server: SMTP, session: Any, envelope: Any, address: str, options: Any
    ) -> str:
        """Be stubborn the first time; `Post` does it."""
        self.asked[address] += 1
        if self.asked[address] > 1 and address.startswith(("slowrcpt", "broken")):
            envelope.rcpt_tos.append(address)
            return "250 OK"
        return await super().handle_RCPT(server, session, envelope, address, options)

    async def handle_DATA(self, server: SMTP, session: Any, envelope: Any) -> str:
        """Take the mail or not, as `Post` does, and hold it where that was asked for."""
        address, number = envelope.rcpt_tos[0], message_id(bytes(envelope.content))
        if address.startswith("content_later") and self.asked[address] > 1:
            self._take(envelope)
            return "250 2.0.0 Taken"
        holds = self._room > 0 and address.startswith("taken")
        self._room -= holds
        if holds and not self._after:
            await self._hold(number)
        answer = await super().handle_DATA(server, session, envelope)
        if holds and self._after:
            await self._hold(number)
        return answer

    async def _hold(self, number: str) -> None:
        self.held.append(number)
        try:
            while number in self.held:
                await asyncio.sleep(0.02)
        finally:  # whoever sent it may be gone
            if number in self.held:
                self.held.remove(number)
