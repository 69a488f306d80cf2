"""Configuration of the studies app."""

from django.apps import AppConfig


class StudiesConfig(AppConfig):
    """See the package's modules."""

    name = "studylab.studies"
    label = "studies"

    def ready(self) -> None:
        """Say of protocol, people and tablets what exists and what is missing."""
        from studylab.studies.readiness import register_readiness
        from studylab.studies.ready_checks import people_lines, protocol_lines, study_lines

        register_readiness("protocol", protocol_lines, front=True)
        register_readiness("people", people_lines, front=True)
        register_readiness("study", study_lines)
