"""Configuration of the notices app."""

from django.apps import AppConfig


class NoticesConfig(AppConfig):
    """What the staff is told, in the page and by e-mail."""

    name = "studylab.notices"
    label = "notices"

    def ready(self) -> None:
        """Register the mails."""
        from studylab.notices.mails import register

        register()
