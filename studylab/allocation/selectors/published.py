"""The lines at the head of every file that leaves the house: what a row is, and the commitment to the list.

Whoever holds an export holds the fingerprint of the list as it was published then, and can compare it when
the list is opened.
"""

from studylab.allocation.selectors.facts import list_state
from studylab.studies.models import Study


def about_export(study: Study, *, row: str, key: str) -> str:
    """Return the head of a CSV export, lines that begin with "# ", to be read past as comments.

    `row` says what one row is, `key` names the column, or columns, that no two rows share.
    """
    state = list_state(study)
    sealed = (
        f"SHA-256 {state.commitment} sealed {state.sealed_at:%Y-%m-%dT%H:%M:%SZ}"
        if state.sealed_at
        else "not sealed yet"
    )
    lines = (
        f"Study {study.slug}",
        f"One row is {row}; its key is {key}",
        f"Commitment to the allocation list: {sealed}",
    )
    return "".join(f"# {line}\r\n" for line in lines)
