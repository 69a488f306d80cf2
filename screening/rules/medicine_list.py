"""What is wrong with a list of medicines as a whole."""

from collections.abc import Sequence

from screening.rules.catalogue import Catalogue
from screening.rules.inputs import Medicine
from screening.rules.medicine_names import fold


def repeated(catalogue: Catalogue, medicines: Sequence[Medicine]) -> dict[int, int]:
    """Return, for each medicine that stands in the list already, its place and the place of the first one.

    Places count from 0. The same substances by the same route are the same medicine, whatever name each was
    given; what the catalogue does not know is compared by its name.
    """
    first: dict[tuple[frozenset[str], str], int] = {}
    doubles = {}
    for place, medicine in enumerate(medicines):
        rows = catalogue.resolve(medicine.name, medicine.atc, medicine.route)
        known = {row.rule_id for row in rows if row is not None}
        what = frozenset(known if None not in rows else {*known, fold(medicine.name)})
        earlier = first.setdefault((what, medicine.route), place)
        if earlier != place:
            doubles[place] = earlier
    return doubles
