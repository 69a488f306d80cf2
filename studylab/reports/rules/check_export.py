"""Check a study export: python3 check.py (Python 3.9 or newer, nothing to install).

Says of every file whether its bytes are those that were sealed into SHA256SUMS, whether its key is a key, and whether it
holds as many rows and people as tables.csv says. Then every file is joined with people.csv by code: a join that loses a
row, doubles one or changes the number of people is a fault.

Before you analyse: python3 check.py --merged FILE.csv
says whether a file that you made by joining still has one row per person, or how many it has. Ends with 1 when
anything is wrong.
"""

import csv
import hashlib
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

csv.field_size_limit(2**31 - 1)


def lines(path: Path) -> Iterator[str]:
    """Yield the text of a CSV file without the comment lines at its head."""
    with path.open(encoding="utf-8", newline="") as file:
        head = True
        for line in file:
            head = head and line.startswith("# ")
            if not head:
                yield line


def rows(path: Path) -> Iterator[dict[str, str]]:
    """Yield the rows of a CSV file by column."""
    return iter(csv.DictReader(lines(path)))


def hashes_wrong(folder: Path) -> Iterator[str]:
    """Yield what differs from SHA256SUMS."""
    told = set()
    for line in (folder / "SHA256SUMS").read_text(encoding="utf-8").splitlines():
        wanted, name = line.split("  ", 1)
        told.add(name)
        path = folder / name
        if not path.is_file():
            yield f"{name} is missing."
            continue
        digest = hashlib.sha256()
        with path.open("rb") as file:
            for piece in iter(lambda: file.read(1 << 20), b""):
                digest.update(piece)
        if digest.hexdigest() != wanted:
            yield f"{name} was changed: its SHA-256 is {digest.hexdigest()}, not {wanted}."
    for path in folder.rglob("*"):
        name = path.relative_to(folder).as_posix()
        if path.is_file() and name not in told and name != "SHA256SUMS":
            yield f"{name} is no part of the export."


def table_wrong(folder: Path, said: dict[str, str], people: set[str]) -> Iterator[str]:
    """Yield what is wrong with one table."""
    name = said["file"]
    if not (folder / name).is_file():
        return
    key = [part.strip() for part in said["key"].split(",")]
    count, seen, codes = 0, set(), Counter()  # type: ignore[var-annotated]
    for row in rows(folder / name):
        count += 1
        mark = tuple(row[part] for part in key)
        if mark in seen:
            yield f"{name}: two rows have the key {', '.join(mark)}."
        seen.add(mark)
        codes[row.get("code", "")] += 1
    if count != int(said["rows"]):
        yield f"{name}: {count} rows, but tables.csv says {said['rows']}."
    if said["people"] == "":
        return
    about = {code for code in codes if code}
    if len(about) != int(said["people"]):
        yield f"{name}: {len(about)} people, but tables.csv says {said['people']}."
    yield from join_wrong(name, codes, people)


def join_wrong(name: str, codes: "Counter[str]", people: set[str]) -> Iterator[str]:
    """Yield what a join with people.csv by code would do to the number of people or of rows."""
    lost = sorted({code for code in codes if code} - people)
    if lost:
        yield f"{name}: {len(lost)} people are not in people.csv, {lost[0]} among them; a join would lose them."
    single = set(codes) == people and max(codes.values(), default=1) == 1
    if name in ("people.csv", "volunteers.csv") and not single:
        yield f"{name}: not one row for each person; a join with it would change the number of people."


def faults(folder: Path) -> list[str]:
    """Return every fault of an unpacked export, in sentences."""
    found = list(hashes_wrong(folder))
    if not (folder / "people.csv").is_file() or not (folder / "tables.csv").is_file():
        return found
    people = {row["code"] for row in rows(folder / "people.csv")}
    for said in rows(folder / "tables.csv"):
        found += table_wrong(folder, said, people)
    return found


def merged_wrong(folder: Path, path: Path) -> list[str]:
    """Return what is wrong with a file that was made by joining, as sentences."""
    people = {row["code"] for row in rows(folder / "people.csv")}
    codes = Counter(row.get("code", "") for row in rows(path))
    found = []
    many = [code for code, count in codes.items() if count > 1]
    if many:
        found.append(
            f"{sum(codes.values())} rows for {len(codes)} people: {many[0]} and {len(many) - 1} others stand there "
            "several times. A file with several rows per person was joined as if it had one."
        )
    if set(codes) != people:
        found.append(
            f"{len(people - set(codes))} people of the study are missing and {len(set(codes) - people)} are too many."
        )
    return found


def main(arguments: list[str]) -> int:
    """Check the folder in which this script lies, or a file beside it."""
    folder = Path(__file__).resolve().parent
    if arguments[:1] == ["--merged"] and len(arguments) == 2:
        found = merged_wrong(folder, Path(arguments[1]))
    elif arguments:
        sys.stdout.write(__doc__)
        return 2
    else:
        found = faults(folder)
    for sentence in found:
        sys.stdout.write(f"WRONG: {sentence}\n")
    if not found:
        sys.stdout.write(
            "Everything is as it was exported, and one row per person stays one row.\n"
        )
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
