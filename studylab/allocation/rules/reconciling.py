"""Does the stock add up? States counted, ledgers replayed, differences named."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from studylab.allocation.rules.kit_states import (
    IN_STOCK,
    OUT_FOR_A_NUMBER,
    STATE_WORDS,
    STATES,
    NotPossible,
    replay,
)


@dataclass(frozen=True, slots=True)
class KitSeen:
    """One kit as it stands: its state, whether it belongs to a number, and its ledger in order."""

    number: str
    state: str
    has_number: bool
    lines: tuple[str, ...]

    @property
    def state_words(self) -> str:
        """The state in words."""
        return STATE_WORDS.get(self.state, "in an unknown state")


@dataclass(frozen=True, slots=True)
class Count:
    """One batch: kits received by the ledger, kits by state, and every difference in words."""

    received: int
    by_state: dict[str, int]
    differences: tuple[str, ...]

    @property
    def accounted(self) -> int:
        """The sum over all states."""
        return sum(self.by_state.values())

    @property
    def agrees(self) -> bool:
        """Whether every kit is accounted for and every ledger leads to its kit's state."""
        return not self.differences


def count(kits: Sequence[KitSeen]) -> Count:
    """Return the count of one batch's kits."""
    states = Counter(kit.state for kit in kits)
    received = sum(kit.lines.count("receive") for kit in kits)
    found = [sentence for kit in kits for sentence in _kit_differences(kit)]
    known = {state: states.pop(state, 0) for state in STATES}
    found += [f"{n} kits are in an unknown state." for n in states.values()]
    if received != len(kits):
        found.append(f"The ledger received {received} kits, {len(kits)} are on record.")
    return Count(received, known, tuple(found))


def _kit_differences(kit: KitSeen) -> Iterable[str]:
    try:
        by_ledger = replay(kit.lines)
    except NotPossible as problem:
        yield f"Kit {kit.number}: its ledger cannot be. {problem}"
        return
    if by_ledger is None:
        yield f"Kit {kit.number} was never received."
    elif by_ledger != kit.state:
        yield f"Kit {kit.number} is {kit.state_words}, its ledger says {STATE_WORDS[by_ledger]}."
    if kit.state in OUT_FOR_A_NUMBER and not kit.has_number:
        yield f"Kit {kit.number} is out without a number."
    if kit.state == IN_STOCK and kit.has_number:
        yield f"Kit {kit.number} is in stock and belongs to a number."
