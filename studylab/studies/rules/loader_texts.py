"""Reads what volunteers are told about their visits out of a study document."""

from studylab.studies.rules.reader import Table, nearest, shown
from studylab.studies.rules.volunteer_texts import MOVES, PROPOSE, VolunteerText, VolunteerTexts


def read_texts(document: Table, visits: tuple[str, ...]) -> VolunteerTexts:
    """Return the section `volunteer`, which may be missing. `visits` are the keys of the visits."""
    if not document.has("volunteer"):
        return VolunteerTexts()
    table = document.table("volunteer")
    before: dict[str, VolunteerText] = {}
    for row in table.tables("before", at_least=0) if table.has("before") else ():
        visit, text = row.text("visit"), VolunteerText(row.text("text"), row.text("text_fr", default=""))  # fmt: skip
        row.close()
        if visit and visits and visit not in visits:
            row.wrong("visit", f"{shown(visit)} is not the key of a visit.", nearest(visit, visits))
        elif visit in before:
            row.wrong("visit", f'Visit "{visit}" has a text already.', "Put both into one row.")
        before[visit] = text
    found = VolunteerTexts(
        where=_text(table, "where"), bring=_text(table, "bring"), before=tuple(before.items()),
        moves=table.one_of("moves", MOVES, default=PROPOSE),
        answer_minutes=table.whole("answer_minutes", default=15, low=1, high=1440),
    )  # fmt: skip
    table.close()
    return found


def _text(table: Table, name: str) -> VolunteerText | None:
    french = table.text(f"{name}_fr", default="")
    if not table.has(name):
        if french:
            table.wrong(f"{name}_fr", f"There is no {name} in English.", f"Add {name}.")
        return None
    return VolunteerText(table.text(name), french)
