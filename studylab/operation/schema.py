"""Whether the database has every migration of this program: nothing is served or worked at on half of its tables."""

from django.db import connection
from django.db.migrations.loader import MigrationLoader

# A table that stands while a restoration has put rows back and not yet held what must not go on by itself.
UNFINISHED = "restoration_unfinished"
_seen_whole = False


def missing() -> list[str]:
    """Return the migrations of this program that the database has not, as "app.name", and an unfinished restoration."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT to_regclass(%s) IS NOT NULL", [UNFINISHED])
        unfinished = [UNFINISHED] if cursor.fetchone()[0] else []
    loader = MigrationLoader(connection)
    names = set(loader.disk_migrations) - set(loader.applied_migrations)
    return unfinished + sorted(".".join(one) for one in names)


def is_whole() -> bool:
    """Whether none is missing. Asked of the database until it is so, and then remembered by this process."""
    global _seen_whole
    _seen_whole = _seen_whole or not missing()
    return _seen_whole
