"""A disk on which this process can write no more than so many bytes into a file."""

import resource
import signal
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def full_after(size: int) -> Iterator[None]:
    """Let every file that this process writes be refused beyond so many bytes, as a full disk refuses it."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, before)
