"""Which arm holds the study's substance, as far as the protocol's own names tell."""

import re
from collections.abc import Iterable

from studylab.studies.rules.protocol import Arm


def holds_substance(arms: Iterable[Arm], substance: str) -> dict[str, bool | None]:
    """Return for every arm's name whether it holds the substance.

    An arm holds it when its name has the substance as a word. When every arm or none has, names do not tell,
    and all values are None: nothing is called a contradiction and nothing an agreement.
    """
    named = {
        arm.name: substance.casefold() in re.findall(r"[^\W\d_]+", arm.name.casefold())
        for arm in arms
    }
    if len(set(named.values())) < 2:
        return dict.fromkeys(named)
    return dict(named)
