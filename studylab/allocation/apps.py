"""Configuration of the allocation app."""

from django.apps import AppConfig


class AllocationConfig(AppConfig):
    """See the package's modules."""

    name = "studylab.allocation"
    label = "allocation"

    def ready(self) -> None:
        """Take part when somebody leaves the path."""
        from studylab.allocation.endings import carry_out, consequences
        from studylab.participants.end_hooks import register_end_hook

        register_end_hook("allocation", consequences=consequences, carry_out=carry_out)
