#!/usr/bin/env python3
"""The one command: `python3 manage.py demo`, `python3 manage.py test`, and Django's own commands."""

import os
import sys

OLDEST, NEWEST = (3, 11), (3, 13)


def main():
    """Refuse Pythons and systems the program was not made for, then hand over."""
    if not OLDEST <= sys.version_info[:2] <= NEWEST:
        running = ".".join(str(part) for part in sys.version_info[:3])
        sys.exit(
            "Studylab needs Python 3.11, 3.12 or 3.13; this is "
            + running
            + " ("
            + sys.executable
            + "). Start it with one of those, such as: python3.13 manage.py demo"
        )
    if os.name != "posix":
        sys.exit("Studylab runs on Linux and macOS; on Windows start it inside WSL.")
    from studylab.bootstrap import main as bootstrap

    return bootstrap(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())
