"""What is wrong with a study document: each problem names the key and the fix."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from studylab.errors import RefusedWithReasons


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing to mend.

    `key` is the path in the document, for example "visits[2].segments[1].minutes"; rows count from 1,
    as people count them. It is empty when the document as a whole cannot be read.
    """

    key: str
    message: str
    fix: str

    def __str__(self) -> str:
        where = f"{self.key}: " if self.key else ""
        return f"{where}{self.message} {self.fix}"


class ProtocolInvalid(RefusedWithReasons):
    """The study document cannot be used; `problems` lists everything that was found."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        count = len(self.problems)
        noun = "one problem" if count == 1 else f"{count} problems"
        reasons = [str(problem) for problem in self.problems]
        super().__init__(f"The study document has {noun}.", reasons, code="protocol_invalid")


class Problems:
    """Collects problems, so that a lead sees all of them at once."""

    def __init__(self) -> None:
        self._found: list[Problem] = []

    def add(self, key: str, message: str, fix: str) -> None:
        """Note that `key` is wrong: `message` and `fix` are full sentences."""
        self._found.append(Problem(key, message, fix))

    def clean(self, prefix: str, ending: str = "") -> bool:
        """Whether nothing was found at `prefix` or below it (on keys ending with `ending`).

        Checks that compare several values ask this first: a value that could not be read must not
        cause a second, misleading problem.
        """
        return not any(
            (problem.key == prefix or problem.key.startswith((f"{prefix}.", f"{prefix}[")))
            and problem.key.endswith(ending)
            for problem in self._found
        )

    def unique(self, rows: Iterable[tuple[str, str]]) -> None:
        """Note each value that an earlier row has too; `rows` are (path, value), "" is not judged."""
        seen: dict[str, str] = {}
        for path, value in rows:
            if value and value in seen:
                self.add(path, f'"{value}" stands already in {seen[value]}.', "Choose another one.")
            seen.setdefault(value, path)

    def raise_if_any(self) -> None:
        """Raise `ProtocolInvalid` when there is at least one problem."""
        if self._found:
            raise ProtocolInvalid(self._found)
