"""The gateway for short messages that the site has set up; none by default."""

from django.conf import settings

from studylab.outbox.gateway import Gateway, HttpGateway


def gateway() -> Gateway | None:
    """Return the site's gateway, or None where short messages are off."""
    if not settings.TEXT_URL:
        return None
    return HttpGateway(
        settings.TEXT_URL,
        settings.TEXT_TOKEN,
        method=settings.TEXT_METHOD,
        names=settings.TEXT_NAMES,
        sender=settings.TEXT_SENDER,
    )
