"""Triggers, constraints and indexes in a migration, without making every model class anew after each."""

from typing import Any

from django.db.migrations.operations import (
    AddConstraint,
    AddIndex,
    RemoveConstraint,
    RemoveIndex,
)
from pgtrigger.migrations import AddTrigger, RemoveTrigger

SCHEMA_ONLY = (AddTrigger, RemoveTrigger, AddConstraint, RemoveConstraint, AddIndex, RemoveIndex)


def install() -> None:
    """Let `migrate` take a quarter of the time: none of these changes a field or a relation.

    Django (5.2) and pgtrigger (4.x) render the model and all related ones again for each of some five hundred
    such operations. What PostgreSQL is told comes from the operation and from the model's state, which is kept; of the
    rendered model a later change of a field asks for the names of its constraints and indexes, so these are renewed.
    """
    for operation in SCHEMA_ONLY:
        _without_rendering(operation)


def _without_rendering(operation: Any) -> None:
    changed = operation.state_forwards

    def state_forwards(self: Any, app_label: str, state: Any) -> None:
        state.reload_model = lambda *args, **kwargs: None
        try:
            changed(self, app_label, state)
        finally:
            del state.reload_model
        _name_again(self, app_label, state)

    operation.state_forwards = state_forwards


def _name_again(operation: Any, app_label: str, state: Any) -> None:
    """Let the rendered model, where there is one, know the constraints and indexes that it has now."""
    if "apps" not in state.__dict__:
        return
    options = state.models[app_label, operation.model_name_lower].options
    meta = state.apps.get_model(app_label, operation.model_name)._meta
    meta.constraints = list(options.get("constraints", []))
    meta.indexes = list(options.get("indexes", []))
