"""Reading series, places, times and the calendar."""

from scheduling.selectors.options import move_options, series_options
from scheduling.selectors.person_time import person_busy
from scheduling.selectors.sealed import open_option, seal_option
from scheduling.selectors.series import (
    access_visit,
    all_series,
    current_series,
    readiness,
    real_anchors,
)
from scheduling.selectors.timelines import occupancy, span

__all__ = [
    "access_visit",
    "all_series",
    "current_series",
    "move_options",
    "occupancy",
    "open_option",
    "person_busy",
    "readiness",
    "real_anchors",
    "seal_option",
    "series_options",
    "span",
]
