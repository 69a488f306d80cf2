"""Configuration of the allocation app."""

from django.apps import AppConfig


class AllocationConfig(AppConfig):
    """See the package's modules."""

    name = "studylab.allocation"
    label = "allocation"

    def ready(self) -> None:
        """Take part when somebody leaves the path, and say what keeps contact details wanted and pharmacists told."""
        from studylab.allocation.endings import carry_out, codes_open, consequences
        from studylab.allocation.left_behind import held
        from studylab.allocation.ready_checks import identity_lines, list_lines, practice_lines
        from studylab.allocation.selectors.staff_mails import KINDS, planned_for_pharmacists
        from studylab.outbox.kinds import register_kind
        from studylab.outbox.planners import register_planner
        from studylab.participants.end_hooks import register_end_hook
        from studylab.participants.erase_hooks import register_erase_check
        from studylab.people.leaving import register_held
        from studylab.studies.readiness import register_readiness

        register_held("allocation", held)
        register_end_hook("allocation", consequences=consequences, carry_out=carry_out)
        register_erase_check("codes", codes_open)
        for kind in KINDS:
            register_kind(kind)
        register_planner("dispensary", planned_for_pharmacists)
        register_readiness("list", list_lines, front=True)
        register_readiness("identity", identity_lines)
        register_readiness("practice", practice_lines)
