"""What a front page is made of: things to do, in groups."""

from dataclasses import dataclass, field

AT_ONCE = 8  # of one group on the front page; the rest is one press away


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to do: whom or what it is about, a few words, where it is done, and a state if it has one."""

    label: str
    url: str
    text: str = ""
    kind: str = ""
    word: str = ""


@dataclass(frozen=True, slots=True)
class Group:
    """Things of one sort; `kind` is the shape of its state, `all_url` the page that lists all of them."""

    title: str
    kind: str
    all_url: str
    items: list[Item] = field(default_factory=list)

    @property
    def shown(self) -> list[Item]:
        """The first few."""
        return self.items[:AT_ONCE]

    @property
    def hidden(self) -> int:
        """How many are not shown."""
        return max(0, len(self.items) - AT_ONCE)
