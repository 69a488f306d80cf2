"""Names and contact details of the invented volunteers of a large site. Nobody here exists."""

from datetime import date, timedelta
from random import Random

from studylab.participants.rules.details import ContactDetails

_GIVEN = (
    "Arlo", "Brisa", "Caspian", "Delphine", "Eskil", "Fern", "Gideon", "Hollis", "Isolde", "Jory", "Kestrel", "Linus",
    "Marit", "Nestor", "Odile", "Pascal", "Quill", "Rowan", "Saskia", "Thaddeus", "Una", "Vesper", "Wilder", "Xanthe",
    "Yorick", "Zelda", "Anouk", "Bertil", "Ciska", "Dunstan", "Elske", "Florian", "Greer", "Hanne", "Ivo", "Juniper",
    "Kasimir", "Liesel", "Mirela", "Noam", "Orla", "Petra", "Quentin", "Runa", "Stellan", "Tamsin", "Ulrich", "Viola",
    "Wenda", "Yara",
)  # fmt: skip
_BEGIN = (
    "Aber", "Bright", "Cold", "Dusk", "East", "Fallow", "Grey", "Hawk", "Ink", "Lark", "Merri", "Night", "Old", "Pem",
    "Quarry", "Raven", "Silver", "Thistle", "Under", "Winter", "Amber", "Bracken", "Copper", "Drift", "Elder",
)  # fmt: skip
_END = (
    "ley", "water", "harbour", "moor", "field", "wood", "berry", "hill", "ton", "well", "ford", "gate", "stead", "by",
    "combe", "croft", "dale", "den", "hurst", "lake",
)  # fmt: skip


def details(number: int, today: date, dice: Random) -> ContactDetails:
    """Return the details of invented person `number`: an address and a telephone number of their own."""
    given, family = dice.choice(_GIVEN), dice.choice(_BEGIN) + dice.choice(_END)
    born = today - timedelta(days=19 * 366 + dice.randrange(19 * 365))
    return ContactDetails(
        family_name=family,
        given_names=given,
        birth_date=born,
        email=f"{given}.{family}.{number}@mail.example".lower(),
        phone=f"+1 902 {556 + number // 10_000} {number % 10_000:04d}",
        emergency_name="A friend",
        emergency_phone=f"+1 782 {556 + number // 10_000} {number % 10_000:04d}",
    )
