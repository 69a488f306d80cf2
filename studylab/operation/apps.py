"""Configuration of the operation app."""

from django.apps import AppConfig


class OperationConfig(AppConfig):
    """Is the program running as it should: processes, waiting work, what a lead is told about the site."""

    name = "studylab.operation"
    label = "operation"

    def ready(self) -> None:
        """Let background processes say that they live."""
        from studylab.operation import pulse

        pulse.listen()
