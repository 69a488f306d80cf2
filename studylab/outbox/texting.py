"""What the site has set up for sending: a mail server, a gateway for short messages, both or none."""

from django.conf import settings

from studylab.outbox.gateway import Gateway, HttpGateway


def mail_is_on() -> bool:
    """Whether a mail server is set up. Without one, what can only go by mail waits."""
    return bool(settings.SMTP_HOST)


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
