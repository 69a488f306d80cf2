"""The settings of that later version."""

from studylab.settings import *  # noqa: F403
from studylab.settings import INSTALLED_APPS

INSTALLED_APPS = [*INSTALLED_APPS, "tests.backups.later"]
