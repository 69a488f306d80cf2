"""Whether something failed because a disk is full, here or where the database lies."""

import errno

from django.db import DatabaseError

from studylab.db import DISK_FULL
from studylab.errors import ReadOnly

_NO_ROOM = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}


def is_full(problem: BaseException) -> bool:
    """Whether a disk had no room left for what was written."""
    if isinstance(problem, ReadOnly) and problem.__cause__ is not None:
        problem = problem.__cause__  # a service said it already (studylab/db.py)
    if isinstance(problem, DatabaseError):
        return getattr(problem.__cause__, "sqlstate", None) == DISK_FULL
    return isinstance(problem, OSError) and problem.errno in _NO_ROOM
