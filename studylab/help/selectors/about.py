"""What this program is made of: versions, sources, data and licences. Nothing about the machine it runs on."""

import tomllib
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from importlib import metadata
from pathlib import Path
from platform import python_version

import django
from django.conf import settings
from django.db import connection

from screening.rules.checks import SOURCES
from screening.rules.table import load_table
from studylab.help.rules.packages import Pin, licence_of, pins
from studylab.help.rules.sources import Source, sources_of
from studylab.operation.checks import version

OF_THE_PROGRAM = ("studylab", "screening", "scheduling", "templates")
_LICENCE_FILES = ("licen", "copying", "notice")
LONGEST_TEXT = 300_000  # characters of one licence file


@dataclass(frozen=True, slots=True)
class Package:
    """One package as it is installed here; `version` is "" where this machine does not need it."""

    pin: Pin
    version: str
    licence: str
    has_text: bool


@cache
def program_digest() -> str:
    """Return the SHA-256 over names and contents of the program's files, in order of their names.

    Two sites with the same value run the same program. It is worked out once in the life of a process.
    """
    root: Path = settings.BASE_DIR
    names = sorted(
        path.relative_to(root).as_posix()
        for part in OF_THE_PROGRAM
        for path in (root / part).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    )
    whole = sha256()
    for name in [*names, "requirements.txt"]:
        content = (root / name).read_bytes()
        whole.update(f"{name}\0{len(content)}\0".encode() + content)
    return whole.hexdigest()


def versions() -> list[tuple[str, str]]:
    """Return what runs here, name and version. Asks the database for its own."""
    with connection.cursor() as cursor:
        cursor.execute("SHOW server_version")
        (server,) = cursor.fetchone()
    return [
        ("Studylab", version()),
        ("Python", python_version()),
        ("Django", django.get_version()),
        ("PostgreSQL", server.split()[0]),
    ]


@cache
def rule_sources() -> tuple[list[Source], list[Source]]:
    """Return the sources of the house's rules: named ones, and what was proposed, inferred or from memory."""
    table = load_table()
    listed = (table.catalogue.substances, table.catalogue.by_route, table.catalogue.prefixes)
    said = [row.source for row in table.rows]
    said += [row.source for rows in listed for row in rows]
    return sources_of([*said, *SOURCES.values()])


@cache
def open_data() -> list[dict[str, str]]:
    """Return the open data that program and tests use."""
    path = Path(__file__).parent.parent / "rules" / "open_data.toml"
    rows: list[dict[str, str]] = tomllib.loads(path.read_text(encoding="utf-8"))["data"]
    return rows


@cache
def packages() -> list[Package]:
    """Return every pinned package with what it says of its licence."""
    text = (settings.BASE_DIR / "requirements.txt").read_text(encoding="utf-8")
    return [_package(pin) for pin in pins(text)]


def _package(pin: Pin) -> Package:
    try:
        installed = metadata.distribution(pin.name)
    except metadata.PackageNotFoundError:
        return Package(pin, "", "", has_text=False)
    said = installed.metadata
    licence = licence_of(
        " ".join(said.get_all("License-Expression") or []),
        "\n".join(said.get_all("License") or []),
        said.get_all("Classifier") or [],
    )
    return Package(pin, installed.version, licence, has_text=bool(_texts(installed)))


def licence_texts(name: str) -> list[tuple[str, str]] | None:
    """Return name and text of each licence file of a pinned package; None for what is not one of ours."""
    if not any(one.pin.name == name and one.version for one in packages()):
        return None
    found = []
    for file in _texts(metadata.distribution(name)):
        text = file.read_text(encoding="utf-8")
        found.append((file.name, text[:LONGEST_TEXT]))
    return found


def _texts(installed: metadata.Distribution) -> list[metadata.PackagePath]:
    files = installed.files or []
    return [
        file
        for file in files
        if file.name.casefold().startswith(_LICENCE_FILES)
        and file.suffix.casefold() in {"", ".txt", ".md", ".rst"}
        and "dist-info" in str(file)
        and file.locate().is_file()  # type: ignore[attr-defined]
    ]
