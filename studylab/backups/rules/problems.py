"""What can be wrong with a backup, each with a full sentence for whoever runs the site."""


class BackupProblem(Exception):
    """A backup cannot be made, read or restored; the text says why and what to do."""

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.message = message


class BackupDamaged(BackupProblem):
    """The file is not what was written: changed, cut, put together otherwise, or read with another key."""
