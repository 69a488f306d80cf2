"""Configuration of the operation app."""

from django.apps import AppConfig


class OperationConfig(AppConfig):
    """Is the program running as it should: processes, waiting work, what a lead is told about the site."""

    name = "studylab.operation"
    label = "operation"

    def ready(self) -> None:
        """Let background processes say that they live, and the status say whether entries are taken."""
        from studylab.operation import pulse
        from studylab.operation.read_only import writing_line
        from studylab.operation.status import register_status

        pulse.listen()
        register_status("writing", writing_line)
