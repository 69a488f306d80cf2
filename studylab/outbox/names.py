"""Names of medicines that no message says. The catalogue lies in an app above, which registers its reader."""

from collections.abc import Callable

_readers: list[Callable[[], tuple[str, ...]]] = []


def register_medicine_names(reader: Callable[[], tuple[str, ...]]) -> None:
    """Register what returns every name of the catalogue; called once, in `AppConfig.ready`."""
    _readers[:] = [reader]


def medicine_names() -> tuple[str, ...]:
    """Return the names of medicines that may not stand in a message."""
    return tuple(name for reader in _readers for name in reader())
