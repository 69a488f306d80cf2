"""Writes a package of one module as a wheel, so that an install can be tried without a network."""

import base64
import hashlib
import zipfile
from pathlib import Path

NAME, VERSION = "studylab-tiny", "1.0"


def write_wheel(folder: Path) -> str:
    """Write the wheel into `folder`. Returns its line for requirements.txt, with the hash."""
    info = f"studylab_tiny-{VERSION}.dist-info"
    files = {
        "studylab_tiny.py": b"VALUE = 1\n",
        f"{info}/METADATA": f"Metadata-Version: 2.1\nName: {NAME}\nVersion: {VERSION}\n".encode(),
        f"{info}/WHEEL": b"Wheel-Version: 1.0\nGenerator: tests\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
    }
    record = "".join(f"{name},sha256={_digest(text)},{len(text)}\n" for name, text in files.items())
    files[f"{info}/RECORD"] = f"{record}{info}/RECORD,,\n".encode()
    path = folder / f"studylab_tiny-{VERSION}-py3-none-any.whl"
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in files.items():
            archive.writestr(name, text)
    return f"{NAME}=={VERSION} --hash=sha256:{hashlib.sha256(path.read_bytes()).hexdigest()}"


def _digest(text: bytes) -> str:
    return base64.urlsafe_b64encode(hashlib.sha256(text).digest()).rstrip(b"=").decode()
