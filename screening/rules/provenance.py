"""Where each standing answer comes from: who said it, when, and what stood there before."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

Value = tuple[Any, str]  # value and the person's own words


@dataclass(frozen=True, slots=True)
class Sitting:
    """One set of answers. `own` says that the volunteer alone wrote it, through a personal link; otherwise `who`
    entered it. `told` are answers that the volunteer changed before sending this set, by question."""

    answers: Mapping[str, Mapping[str, Any]]
    own: bool
    who: str
    at: datetime
    reason: str = ""
    told: Mapping[str, Sequence[Any]] | None = None


@dataclass(frozen=True, slots=True)
class Source:
    """One value that a question had, from when on, and by whom."""

    value: Any
    detail: str
    own: bool
    who: str
    at: datetime
    reason: str = ""
    before_sending: bool = False


@dataclass(frozen=True, slots=True)
class Origin:
    """The source of a standing answer, and the sources of what stood there before, newest first."""

    now: Source
    before: tuple[Source, ...]

    @property
    def staff_changed(self) -> bool:
        """Whether staff changed what the volunteer had written alone."""
        return not self.now.own and any(
            source.own and not source.before_sending for source in self.before
        )


def origins(sittings: Iterable[Sitting]) -> dict[str, Origin]:
    """Return, by question, where the answer that stands comes from. `sittings` are oldest first.

    An answer that a later set repeats keeps its source: whoever saved a page did not say everything on it
    again. An answer that a later set lacks has gone; its question is absent.
    """
    lines: dict[str, list[Source]] = {}
    standing: Mapping[str, Mapping[str, Any]] = {}
    for sitting in sittings:
        for key, item in sitting.answers.items():
            _take(lines.setdefault(key, []), key, item, sitting)
        standing = sitting.answers
    return {
        key: Origin(found[-1], tuple(reversed(found[:-1])))
        for key, found in lines.items()
        if key in standing and found
    }


def _take(line: list[Source], key: str, item: Mapping[str, Any], sitting: Sitting) -> None:
    value, detail = _plain(item)
    for told in (sitting.told or {}).get(key, ()):
        line.append(Source(told, "", sitting.own, sitting.who, sitting.at, before_sending=True))
    if (
        line
        and not line[-1].before_sending
        and (line[-1].value, line[-1].detail) == (value, detail)
    ):
        return
    line.append(Source(value, detail, sitting.own, sitting.who, sitting.at, sitting.reason))


def _plain(item: Mapping[str, Any]) -> Value:
    return item.get("value"), str(item.get("detail") or "")
