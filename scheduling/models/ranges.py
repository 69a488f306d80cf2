"""What every time range in the database must be: two finite ends, not empty, half-open."""

from typing import Any

from django.contrib.postgres.fields import DateTimeRangeField
from django.db import models
from django.db.models import F, Func, Lookup, Q
from psycopg.types.multirange import Multirange


def bounded(column: str, name: str) -> models.CheckConstraint:
    """Return the check that a time range is [start, end) with both ends known and finite.

    A missing end would block a room for ever, an empty range would block nothing, a closed end would make
    back-to-back visits collide, and an infinite one cannot be read back.
    """
    whole = Q(
        **{
            f"{column}__isempty": False,
            f"{column}__startswith__isnull": False,
            f"{column}__endswith__isnull": False,
            f"{column}__lower_inc": True,
            f"{column}__upper_inc": False,
        }
    )
    return models.CheckConstraint(
        condition=whole & Q(_finite(column, "lower")) & Q(_finite(column, "upper")), name=name
    )


def _finite(column: str, edge: str) -> Func:
    end = Func(F(column), function=edge, output_field=models.DateTimeField())
    return Func(end, function="isfinite", output_field=models.BooleanField())


@DateTimeRangeField.register_lookup
class OverlapsAny(Lookup):
    """`during__overlaps_any=[range, ...]`: shares time with any of them. One comparison a row, however many there are."""

    lookup_name, prepare_rhs = "overlaps_any", False

    def as_sql(self, compiler: Any, connection: Any) -> tuple[str, tuple[Any, ...]]:
        """Return the comparison with all of them together."""
        column, values = self.process_lhs(compiler, connection)
        return f"{column} && %s::tstzmultirange", (*values, Multirange(self.rhs))
