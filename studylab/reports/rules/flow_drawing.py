"""The participant flow as a drawing, and the same figures as rows of a table."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from textwrap import wrap

from screening.rules.drawing import Drawing, Line, Rect, Shape, Track, Words, track
from studylab.reports.rules.flow import ArmFlow, Flow, Reasons, total

MARGIN, PHASE, BOX, GAP = 12, 104, 268, 28  # pixels; PHASE is the column of the phases' names
LINE, PAD, LETTERS = 19, 10, 36  # a line of text, a box's edge, the letters that fit on a line
Text = Sequence[tuple[str, bool]]  # lines of a box, and whether each is its heading

ENROLMENT, ALLOCATION, FOLLOW_UP, ANALYSIS = "Enrolment", "Allocation", "Follow-up", "Analysis"


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: phase, column ("" where there is one for all), what is counted, how many people."""

    phase: str
    column: str
    what: str
    number: int


def rows_of(flow: Flow) -> list[Row]:
    """Return every figure of the diagram in the order in which it is read."""
    rows = [
        Row(ENROLMENT, "", "on record", flow.recorded),
        Row(ENROLMENT, "", "not assessed yet", flow.to_assess),
        Row(ENROLMENT, "", "left before the assessment", flow.left_before),
        Row(ENROLMENT, "", "assessed for eligibility", flow.assessed),
        Row(ENROLMENT, "", "excluded", total(flow.excluded)),
        *_each(ENROLMENT, "", "excluded", flow.excluded),
        Row(ENROLMENT, "", "still in screening", flow.in_screening),
        Row(ENROLMENT, "", "allocated", flow.randomised),
    ]
    for arm in flow.arms:
        rows += _arm_rows(arm)
    return rows


def _arm_rows(arm: ArmFlow) -> list[Row]:
    name = arm.name
    return [
        Row(ALLOCATION, name, "allocated", arm.allocated),
        Row(ALLOCATION, name, "received the dose", arm.received),
        Row(ALLOCATION, name, "did not receive the dose", total(arm.not_received)),
        *_each(ALLOCATION, name, "did not receive the dose", arm.not_received),
        Row(ALLOCATION, name, "dose still to come", arm.waiting),
        Row(FOLLOW_UP, name, "lost to contact", total(arm.lost)),
        Row(FOLLOW_UP, name, "discontinued", total(arm.discontinued)),
        *_each(FOLLOW_UP, name, "discontinued", arm.discontinued),
        Row(FOLLOW_UP, name, "still in follow-up", arm.running),
        Row(ANALYSIS, name, "completed every visit", arm.analysed),
        Row(ANALYSIS, name, "without the last visit", total(arm.left_out) + total(arm.lost)),
    ]


def _each(phase: str, column: str, what: str, reasons: Reasons) -> Iterator[Row]:
    for label, number in reasons:
        yield Row(phase, column, f"{what}: {label}", number)


@dataclass(slots=True)
class _Canvas:
    """Collects shapes while boxes are put under each other."""

    shapes: list[Shape] = field(default_factory=list)

    def box(self, x: float, y: float, text: Text) -> float:
        """Draw a box of text with its top left corner at x, y; return where it ends."""
        lines = [(part, strong) for said, strong in text for part in _wrapped(said)]
        height = len(lines) * LINE + 2 * PAD
        self.shapes.append(Rect(x, y, BOX, height, "flow-box"))
        for place, (said, strong) in enumerate(lines):
            look = "flow-strong" if strong else "flow-words"
            at = y + PAD + place * LINE + 14
            indent = 12 if said.startswith("   ") else 0
            self.shapes.append(Words(x + PAD + indent, at, said.strip(), look, "start"))
        return y + height

    def phase(self, name: str, y: float) -> None:
        self.shapes.append(Words(MARGIN, y + PAD + 14, name, "flow-phase", "start"))

    def down(self, x: float, y: float, to: float) -> None:
        self.shapes += [Line(x, y, x, to, "flow-line"), _head((x - 5, to - 8), (x + 5, to - 8), (x, to))]  # fmt: skip

    def across(self, x: float, y: float, to: float) -> None:
        self.shapes += [Line(x, y, to, y, "flow-line"), _head((to - 8, y - 5), (to - 8, y + 5), (to, y))]  # fmt: skip


def _wrapped(said: str) -> list[str]:
    """Return the lines of a text; the count in brackets is never torn apart."""
    kept = said.replace("(n = ", "(n\u00a0=\u00a0")
    return [line.replace("\u00a0", " ") for line in wrap(kept, LETTERS, subsequent_indent="   ")]


def _head(*points: tuple[float, float]) -> Track:
    return track(list(points), "flow-head")


def drawn(flow: Flow) -> Drawing:
    """Return the diagram: enrolment with its side boxes, then one column per arm."""
    canvas, left = _Canvas(), float(MARGIN + PHASE)
    columns = [left + place * (BOX + GAP) for place in range(len(flow.arms))]
    width = max(left + 2 * BOX + GAP, columns[-1] + BOX) + MARGIN
    middle = (columns[0] + columns[-1] + BOX) / 2  # above the columns, and clear of the side boxes
    middle = min(middle, width - MARGIN - BOX - GAP - BOX / 2)
    y = _enrolment(canvas, flow, middle, width)
    if len(columns) > 1:
        canvas.shapes += [
            Line(middle, y, middle, y + GAP / 2, "flow-line"),
            Line(columns[0] + BOX / 2, y + GAP / 2, columns[-1] + BOX / 2, y + GAP / 2, "flow-line"),
        ]  # fmt: skip
    top = y + GAP * (1.5 if len(columns) > 1 else 1)
    if len(columns) > 1:
        for x in columns:
            canvas.down(x + BOX / 2, y + GAP / 2, top)
    else:
        canvas.down(middle, y, top)
        columns = [middle - BOX / 2]
    for phase, texts in _phases(flow):
        canvas.phase(phase, top)
        ends = [canvas.box(x, top, text) for x, text in zip(columns, texts, strict=True)]
        bottom, top = max(ends), max(ends) + GAP
        if phase != ANALYSIS:
            for x, end in zip(columns, ends, strict=True):
                canvas.down(x + BOX / 2, end, top)
    return Drawing(width, bottom + MARGIN, tuple(canvas.shapes))


def _enrolment(canvas: _Canvas, flow: Flow, middle: float, width: float) -> float:
    """Draw who came, who was assessed and who was left out; return where the last box ends."""
    x, side, y = middle - BOX / 2, width - MARGIN - BOX, float(MARGIN)
    canvas.phase(ENROLMENT, y)
    if flow.recorded != flow.assessed:
        first = canvas.box(x, y, [(f"On record (n = {flow.recorded})", True)])
        rest = [("not assessed yet", flow.to_assess), ("left before the assessment", flow.left_before)]  # fmt: skip
        y = _aside(canvas, middle, first, side, _listed("Not assessed", tuple(one for one in rest if one[1])))  # fmt: skip
    first = canvas.box(x, y, [(f"Assessed for eligibility (n = {flow.assessed})", True)])
    out = _listed("Excluded", flow.excluded)
    if flow.in_screening:
        out = [*out, (f"Still in screening (n = {flow.in_screening})", True)]
    y = _aside(canvas, middle, first, side, out)
    return canvas.box(x, y, [(f"Allocated (n = {flow.randomised})", True)])


def _aside(canvas: _Canvas, middle: float, y: float, side: float, text: Text) -> float:
    """Draw the way down from y with a side box beside it; return where the next box begins."""
    end = canvas.box(side, y + GAP / 2, text)
    canvas.across(middle, (y + GAP / 2 + end) / 2, side)
    canvas.down(middle, y, end + GAP / 2)
    return end + GAP / 2


def _listed(heading: str, reasons: Reasons) -> list[tuple[str, bool]]:
    lines = [(f"{heading} (n = {total(reasons)})", True)]
    return lines + [(f"– {label} (n = {number})", False) for label, number in reasons]


def _phases(flow: Flow) -> list[tuple[str, list[Text]]]:
    return [
        (ALLOCATION, [_allocated(arm) for arm in flow.arms]),
        (FOLLOW_UP, [_followed(arm) for arm in flow.arms]),
        (ANALYSIS, [_ended(arm) for arm in flow.arms]),
    ]


def _allocated(arm: ArmFlow) -> Text:
    return [
        (f"{arm.name} (n = {arm.allocated})", True),
        (f"Received the dose (n = {arm.received})", False),
        *_listed_small("Did not receive the dose", arm.not_received),
        *((f"Dose still to come (n = {arm.waiting})", False) for _ in range(bool(arm.waiting))),
    ]


def _followed(arm: ArmFlow) -> Text:
    return [
        (f"Lost to contact (n = {total(arm.lost)})", False),
        *_listed_small("Discontinued", arm.discontinued),
        *((f"Still in follow-up (n = {arm.running})", False) for _ in range(bool(arm.running))),
    ]


def _ended(arm: ArmFlow) -> Text:
    return [
        (f"Completed every visit (n = {arm.analysed})", False),
        *_listed_small("Without the last visit", (*arm.left_out, *arm.lost)),
    ]


def _listed_small(heading: str, reasons: Reasons) -> list[tuple[str, bool]]:
    return [(said, False) for said, _strong in _listed(heading, reasons)]
