"""A small reader of iCalendar files, written for the tests from the text of RFC 5545 and nothing of our own.

It unfolds, splits content lines (3.1), unescapes text (3.3.11), and works out instants from the VTIMEZONE in the
file alone (3.6.5), without the machine's time zones.
"""

import re
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

_LINE = re.compile(r"([A-Za-z0-9-]+)((?:;[A-Za-z0-9-]+=(?:\"[^\"]*\"|[^\";:,]*))*):(.*)", re.DOTALL)
_PARAM = re.compile(r";([A-Za-z0-9-]+)=(\"[^\"]*\"|[^\";:,]*)")


@dataclass
class Part:
    """A component: its properties as (name, parameters, raw value), and the components inside."""

    name: str
    rows: list[tuple[str, dict[str, str], str]] = field(default_factory=list)
    parts: list["Part"] = field(default_factory=list)

    def one(self, name: str) -> tuple[dict[str, str], str]:
        found = [(params, value) for row, params, value in self.rows if row == name]
        assert len(found) == 1, f"{name} is there {len(found)} times"
        return found[0]

    def text(self, name: str) -> str:
        return re.sub(r"\\(.)", lambda m: "\n" if m[1] in "nN" else m[1], self.one(name)[1])

    def has(self, name: str) -> bool:
        return any(row == name for row, _, _ in self.rows)

    def all(self, name: str) -> list["Part"]:
        return [part for part in self.parts if part.name == name]


def read(data: bytes) -> Part:
    """Return the one calendar in a file; what the grammar does not allow fails."""
    assert data.endswith(b"\r\n")
    physical = data[:-2].split(b"\r\n")
    for line in physical:
        assert b"\n" not in line, line
        assert b"\r" not in line, line
        assert len(line) <= 75, (len(line), line)
        line.decode()  # never cut inside a character
    whole = re.sub(rb"\r\n[ \t]", b"", data[:-2]).decode().split("\r\n")
    root = Part("")
    stack = [root]
    for text in whole:
        match = _LINE.fullmatch(text)
        assert match, text
        name, value = match[1].upper(), match[3]
        if name == "BEGIN":
            stack[-1].parts.append(Part(value))
            stack.append(stack[-1].parts[-1])
        elif name == "END":
            assert stack.pop().name == value
        else:
            params = {key.upper(): raw.strip('"') for key, raw in _PARAM.findall(match[2])}
            stack[-1].rows.append((name, params, value))
    assert len(stack) == 1
    (calendar,) = root.parts
    assert calendar.name == "VCALENDAR"
    assert calendar.one("VERSION")[1] == "2.0"
    assert calendar.one("PRODID")[1]
    return calendar


def instant(calendar: Part, event: Part, name: str) -> datetime:
    """Return the instant of a property by the rules in the file itself."""
    params, value = event.one(name)
    if value.endswith("Z"):
        assert "TZID" not in params
        return datetime.strptime(value, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    (zone,) = [z for z in calendar.all("VTIMEZONE") if z.one("TZID")[1] == params["TZID"]]
    local = datetime.strptime(value, "%Y%m%dT%H%M%S")  # noqa: DTZ007
    onsets = []
    for rule in [*zone.all("STANDARD"), *zone.all("DAYLIGHT")]:
        start = datetime.strptime(rule.one("DTSTART")[1], "%Y%m%dT%H%M%S")  # noqa: DTZ007
        before, after = _offset(rule.one("TZOFFSETFROM")[1]), _offset(rule.one("TZOFFSETTO")[1])
        onsets.append((start - before, before, after))
    # Of two readings the first counts, of a time that does not exist the offset before the gap (3.3.5).
    fits = []
    for begins, before, after in sorted(onsets):
        later = [row for row in onsets if row[0] > begins]
        ends = min(later)[0] if later else datetime.max  # noqa: DTZ901
        if begins <= local - after < ends:
            fits.append(local - after)
        elif begins > local - before >= begins - timedelta(hours=3) and local - after < begins:
            fits.append(local - before)
    assert fits, f"no rule of {params['TZID']} holds at {value}"
    return min(fits).replace(tzinfo=UTC)


def _offset(text: str) -> timedelta:
    match = re.fullmatch(r"([+-])(\d\d)(\d\d)(\d\d)?", text)
    assert match, text
    length = timedelta(hours=int(match[2]), minutes=int(match[3]))
    return -length if match[1] == "-" else length
