"""Messages to volunteers and staff: what is to be said to whom and when, and what became of it."""

from django.apps import AppConfig


class OutboxConfig(AppConfig):
    """App configuration. Kinds of messages are registered by the apps above."""

    name = "studylab.outbox"
    label = "outbox"

    def ready(self) -> None:
        """Tell of mail in the site's status and in what a study needs; carry invitations of staff."""
        from studylab.operation.status import register_status
        from studylab.outbox import accounts, invitations
        from studylab.outbox.ready_checks import message_lines
        from studylab.outbox.status import mail_line
        from studylab.studies.readiness import register_readiness

        register_status("mail", mail_line)
        register_readiness("messages", message_lines)
        invitations.register()
        accounts.register()
