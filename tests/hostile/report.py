"""What a drive found, for people."""

from collections import Counter, defaultdict

from tests.hostile.drive import Tally
from tests.hostile.judge import Fault


def table(tally: Tally) -> str:
    """Requests by status, by visitor and by verb."""
    seconds, asked = tally.slowest
    lines = [f"{tally.asked} requests, slowest {seconds:.1f} s of processor time ({asked[:200]})"]
    for place, title in enumerate(("visitor", "verb", "status")):
        counts: Counter[str] = Counter()
        for key, many in tally.by.items():
            counts[str(key[place])] += many
        lines.append(
            f"by {title}: " + ", ".join(f"{name} {many}" for name, many in counts.most_common())
        )
    lines.append(
        "wrote: " + ", ".join(f"{name} {many}" for name, many in tally.wrote.most_common())
    )
    return "\n".join(lines)


def faults_of(tally: Tally, each: int = 3) -> str:
    """Each kind of fault with some examples."""
    kinds: dict[tuple[str, str], list[Fault]] = defaultdict(list)
    for fault in tally.faults:
        kinds[fault.what, fault.where].append(fault)
    lines = []
    for (what, where), found in sorted(kinds.items(), key=lambda item: -len(item[1])):
        lines.append(f"--- {len(found)} x {what} at {where}")
        for fault in found[:each]:
            ask = fault.ask
            lines.append(
                f"  {fault.visitor}: {ask.verb} {ask.address[:200]} [{ask.kind[:60]}] ({ask.how[:160]})"
            )
            lines.append(f"    body {ask.body[:300]!r}")
        lines.append("    " + found[0].more.replace("\n", "\n    ")[-1800:])
    return "\n".join(lines)
