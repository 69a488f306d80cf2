"""An export made and unpacked, for tests."""

import csv
import io
import zipfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from studylab import clock
from studylab.reports.selectors.export_file import write_export


@dataclass
class Unpacked:
    """The bytes of a ZIP, and what is in it."""

    content: bytes = field(repr=False)

    def names(self) -> list[str]:
        return zipfile.ZipFile(io.BytesIO(self.content)).namelist()

    def text(self, name: str) -> str:
        return zipfile.ZipFile(io.BytesIO(self.content)).read(name).decode()

    def rows(self, name: str) -> list[dict[str, str]]:
        lines = io.StringIO(self.text(name), newline="")
        return list(csv.DictReader(line for line in lines if not line.startswith("# ")))

    def to(self, folder: Path) -> Path:
        zipfile.ZipFile(io.BytesIO(self.content)).extractall(folder)
        return folder


def exported(study: Any, **given: Any) -> Unpacked:
    """Return an export of the study as it is now."""
    target = io.BytesIO()
    known = {"made_at": clock.now(), "arms": None, "told": lambda _stage, _rows: None} | given
    write_export(study, target, **known)
    return Unpacked(target.getvalue())
