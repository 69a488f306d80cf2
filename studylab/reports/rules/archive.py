"""A ZIP written piece by piece: same content, same bytes. Keeps each file's SHA-256 and size as it goes by."""

import hashlib
import io
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import IO

_MOMENT = (
    1980,
    1,
    1,
    0,
    0,
    0,
)  # the earliest a ZIP can say: times of making would change the bytes
_PIECE = 1 << 18


@dataclass(slots=True)
class Packed:
    """One file of the archive. `rows` and `people` are None for what is no table."""

    name: str
    sha256: str = ""
    size: int = 0
    rows: int | None = None
    people: int | None = None


class Page:
    """A file of the archive while it is written. Text is gathered to pieces before it is packed."""

    def __init__(self, target: IO[bytes], packed: Packed) -> None:
        self.target, self.packed = target, packed
        self.digest, self.waiting = hashlib.sha256(), io.StringIO()

    def write(self, text: str) -> None:
        """Add text."""
        self.waiting.write(text)
        if self.waiting.tell() >= _PIECE:
            self.flush()

    def flush(self) -> None:
        """Pack what was gathered."""
        data = self.waiting.getvalue().encode()
        self.waiting = io.StringIO()
        self.digest.update(data)
        self.packed.size += len(data)
        self.target.write(data)


class Archive:
    """Files one after the other into a ZIP; `files` lists them with their hashes."""

    def __init__(self, target: IO[bytes]) -> None:
        self.zip = zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, compresslevel=6)
        self.files: list[Packed] = []

    @contextmanager
    def page(self, name: str) -> Iterator[Page]:
        """Open the next file for writing."""
        info = zipfile.ZipInfo(name, _MOMENT)
        info.compress_type, info.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
        packed = Packed(name)
        with self.zip.open(info, "w", force_zip64=True) as target:
            page = Page(target, packed)
            yield page
            page.flush()
        packed.sha256 = page.digest.hexdigest()
        self.files.append(packed)

    def text(self, name: str, content: str | Iterable[str]) -> Packed:
        """Add a whole file."""
        with self.page(name) as page:
            for piece in (content,) if isinstance(content, str) else content:
                page.write(piece)
        return self.files[-1]

    def close(self) -> None:
        """Write the ZIP's own table."""
        self.zip.close()
