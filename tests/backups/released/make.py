"""Writes what a release leaves for the tests of later versions: its tables, and a backup of a study in its middle.

    DATABASE_URL=... STUDYLAB_ENV=test python -m tests.backups.released.make 0.2.0

in an empty database, with a `pg_dump` of the oldest PostgreSQL that is supported or newer on the path.
"""

import lzma
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import django
from django.core.management import call_command

HERE = Path(__file__).parent
# What another server may not know or another role may not do, and none of it is ours.
_NOT_OURS = re.compile(
    r"^(SET \w+ = [^;]+;|SELECT pg_catalog\.set_config\('search_path', '', false\);|\\(un)?restrict .*"
    r"|ALTER TABLE ONLY \S+ ALTER COLUMN \S+ SET \(.*\);)\n",
    re.MULTILINE,
)


def main(release: str) -> None:
    """Migrate, build, back up, dump."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "studylab.settings")
    django.setup()
    call_command("migrate", verbosity=0)
    (HERE / f"{release}.sql.xz").write_bytes(lzma.compress(_tables().encode(), preset=9))
    _backup(HERE / f"{release}.backup")


def _tables() -> str:
    given = [
        "--no-owner",
        "--no-privileges",
        "--no-comments",
        "--dbname",
        os.environ["DATABASE_URL"],
    ]
    parts = (["--schema-only"], ["--data-only", "--inserts", "--table", "django_migrations"])
    return _NOT_OURS.sub("", "".join(_dump([*given, *part]) for part in parts))


def _dump(words: list[str]) -> str:
    return subprocess.run(["pg_dump", *words], check=True, capture_output=True, text=True).stdout


def _backup(target: Path) -> None:
    from django.conf import settings

    from studylab import clock
    from studylab.audit.services import seal_events
    from studylab.backups.making import make
    from studylab.backups.settings import BackupSettings
    from tests.access.world import build
    from tests.backups.conftest import KEY

    world = build()
    with tempfile.TemporaryDirectory() as folder, clock.travel(world.now):
        seal_events()
        settings.BACKUP = BackupSettings(Path(folder), KEY)
        shutil.copyfile(make().backup.path, target)


if __name__ == "__main__":
    main(sys.argv[1])
