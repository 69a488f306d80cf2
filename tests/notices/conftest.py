"""A lab on a fixed Monday morning and one person of each role."""

from tests.reports.conftest import everybody, lab

__all__ = ["everybody", "lab"]
