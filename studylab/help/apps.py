"""Configuration of the help."""

from django.apps import AppConfig
from django.core import checks


class HelpConfig(AppConfig):
    """Texts about pages; nothing of the record."""

    name = "studylab.help"
    label = "help"

    def ready(self) -> None:
        """Read every text, so that a slip in one stops the start, and compare them with the addresses."""
        from studylab.help.coverage import check_pages
        from studylab.help.rules.topics import load_help

        load_help()
        checks.register(check_pages, checks.Tags.urls)
