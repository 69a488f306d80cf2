"""The invented people of the demonstration. Nobody here exists."""

from dataclasses import dataclass
from datetime import date

from studylab.access import Role

PASSWORD = "harbour lantern at dusk"  # noqa: S105 (a demonstration's password is public)


@dataclass(frozen=True, slots=True)
class Staff:
    """One member of the invented lab; `key` is how the story calls them."""

    key: str
    name: str
    role: Role

    @property
    def email(self) -> str:
        """The sign-in address."""
        return f"{self.key}@harbour.example"


STAFF = (
    Staff("coordinator", "Cora Lindqvist", Role.COORDINATOR),
    Staff("clinician", "Dr Milo Hartwell", Role.CLINICIAN),
    Staff("clinician2", "Dr Ines Farrow", Role.CLINICIAN),
    Staff("pharmacist", "Petra Vance", Role.PHARMACIST),
    Staff("pharmacist2", "Piet Sorrel", Role.PHARMACIST),
    Staff("experimenter", "Edda Marlow", Role.EXPERIMENTER),
    Staff("experimenter2", "Sten Aldous", Role.EXPERIMENTER),
    Staff("experimenter3", "Noor Casimir", Role.EXPERIMENTER),
    Staff("experimenter4", "Tam Oakes", Role.EXPERIMENTER),
    Staff("experimenter5", "Bea Holloway", Role.EXPERIMENTER),
    Staff("lead", "Lev Okonjo", Role.LEAD),
    Staff("monitor", "Mona Sayers", Role.MONITOR),
)
ACCOUNTS = ("Ada Winther", "accounts@harbour.example")  # looks after accounts and holds no role
EXPERIMENTERS = tuple(member.key for member in STAFF if member.role == Role.EXPERIMENTER)
SIGN_INS = tuple(
    member for member in STAFF if not member.key[-1].isdigit()
)  # one per role is printed

_GIVEN = (
    "Arlo", "Brisa", "Caspian", "Delphine", "Eskil", "Fern", "Gideon", "Hollis", "Isolde", "Jory",
    "Kestrel", "Linus", "Marit", "Nestor", "Odile", "Pascal", "Quill", "Rowan", "Saskia", "Thaddeus",
    "Una", "Vesper", "Wilder", "Xanthe", "Yorick", "Zelda",
)  # fmt: skip
_FAMILY = (
    "Abernethy", "Brightwater", "Coldharbour", "Duskin", "Eastlake", "Fallowes", "Greywell", "Hawksmoor",
    "Inkpen", "Jessamine", "Kingsley-Moor", "Larkspur", "Merriden", "Nightingale", "Oldcastle", "Pemberley",
    "Quarrier", "Ravenhill", "Silverton", "Thistlewood",
)  # fmt: skip


def volunteer_name(index: int) -> tuple[str, str]:
    """Return an invented given and family name; no two of the first 500 are the same."""
    return _GIVEN[index % len(_GIVEN)], _FAMILY[(index * 7 + index // len(_GIVEN)) % len(_FAMILY)]


def birth_date_of(index: int, today: date) -> date:
    """Return a birth date that makes the volunteer 19 to 38 years old."""
    return date(today.year - 19 - (index * 5) % 20, 1 + (index * 3) % 12, 1 + (index * 11) % 28)
