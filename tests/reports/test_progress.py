"""The progress pages: the participant flow, its files, and who may see them."""

import csv
import re
from xml.etree import ElementTree

import pytest
from django.urls import reverse

from screening.models import VitalSet
from studylab.access import Role
from studylab.participants.services import participant_screen_out, participant_withdraw
from studylab.reports.selectors.accrual import outlook_of
from studylab.reports.selectors.flow import flow_of_study
from studylab.reports.selectors.kept import kept_charts
from tests import cast
from tests.access.world import World
from tests.reports.conftest import client_for

pytestmark = [pytest.mark.django_db, pytest.mark.database]
SVG = "{http://www.w3.org/2000/svg}"


def table_of(text: str) -> list[list[str]]:
    """Return the rows of a CSV file after its head, without the line of columns."""
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    return list(csv.reader(lines))[1:]


def test_the_diagram_the_table_and_the_file_have_the_same_figures(world: World) -> None:
    client = client_for(world.people[Role.LEAD])
    page = client.get(reverse("progress", args=[world.study.slug])).content.decode()
    assert "sums hold" in page
    flow = flow_of_study(world.study, cast.actor_of(world.people[Role.LEAD], world.study))
    assert flow.recorded == world.study.participants.count()
    assert flow.arms[0].received, "the world has somebody dosed"
    sheet = client.get(reverse("progress_file", args=[world.study.slug, "flow", "csv"]))
    body = sheet.content.decode()
    assert body.startswith("# Study ")
    assert "its key is phase, group and what is counted" in body
    rows = table_of(body)
    assert len({tuple(row[:3]) for row in rows}) == len(rows), "the key is one"
    drawing = client.get(reverse("progress_file", args=[world.study.slug, "flow", "svg"]))
    assert drawing["Content-Type"] == "image/svg+xml"
    root = ElementTree.fromstring(drawing.content)
    assert root.find(f"{SVG}title") is not None
    assert root.find(f"{SVG}desc") is not None
    said = " ".join(node.text or "" for node in root.iter(f"{SVG}text"))
    assert _figures(said) == _figures(page[page.index('<svg class="chart"') : page.index("</svg>\n", page.index('<svg class="chart"'))])  # fmt: skip
    numbers = {row[2]: row[3] for row in rows}
    for what in ("assessed for eligibility", "allocated", "received the dose"):
        assert f"(n = {numbers[what]})" in said
        assert f"<td>{numbers[what]}</td>" in page


def _figures(text: str) -> list[str]:
    return re.findall(r"\(n = (\d+)\)", text)


def test_arms_are_counted_together_before_the_opening(world: World) -> None:
    page = client_for(world.people[Role.LEAD]).get(reverse("progress", args=[world.study.slug]))
    text = page.content.decode()
    assert "Allocated (both arms)" in text
    assert not re.search("propranolol|placebo", text[text.index("<main") :], re.I)


def test_people_who_leave_move_to_the_box_of_their_reason(world: World) -> None:
    lead = cast.actor_of(world.people[Role.LEAD], world.study)
    coordinator = cast.actor_of(world.people[Role.COORDINATOR], world.study)
    before = flow_of_study(world.study, lead)
    leaving = list(
        world.study.participants.filter(
            status="active", assessments__gate="screening", entry=None
        ).distinct()[:2]
    )
    participant_screen_out(participant=leaving[0], reason="Asthma as a child.", actor=coordinator)
    participant_withdraw(participant=leaving[1], reason="No time.", actor=coordinator)
    after = flow_of_study(world.study, lead)
    grown = {label: n - dict(before.excluded).get(label, 0) for label, n in after.excluded}
    assert grown["not meeting the criteria"] == grown["declined or withdrew"] == 1
    assert after.in_screening == before.in_screening - 2
    assert after.assessed == before.assessed


def test_the_forecast_stands_on_what_is_on_record(world: World) -> None:
    outlook = outlook_of(world.study, world.now)
    people = world.study.participants
    assert outlook.allocated == people.exclude(entry=None).count()
    assert outlook.completed == people.filter(status="completed").count()
    assert outlook.failures.part <= outlook.failures.whole
    assert outlook.days is not None
    assert outlook.days[0] <= outlook.days[1] <= outlook.days[2]
    assert outlook.days[0] > world.now.date()
    client = client_for(world.people[Role.LEAD])
    page = client.get(reverse("progress_accrual", args=[world.study.slug])).content.decode()
    for day in outlook.days[::2]:
        assert f"<b>{day:%-d %b %Y}</b>" in page
    sheet = client.get(reverse("progress_file", args=[world.study.slug, "accrual", "csv"]))
    rows = table_of(sheet.content.decode())
    assert len({row[0] for row in rows}) == len(rows)
    assert rows[-1][1:] == [str(outlook.allocated), str(outlook.completed)]
    drawing = client.get(reverse("progress_file", args=[world.study.slug, "accrual", "svg"]))
    assert ElementTree.fromstring(drawing.content).tag == f"{SVG}svg"


def test_what_was_kept_has_its_table_and_files(world: World) -> None:
    client = client_for(world.people[Role.MONITOR])
    page = client.get(reverse("progress_kept", args=[world.study.slug])).content.decode()
    charts = {one.key: one for one in kept_charts(world.study, world.now)}
    assert set(charts) == {"screen-failures", "missed", "wait", "spacing-1", "spacing-2"}
    waits = charts["wait"]
    taken = VitalSet.objects.filter(
        participant__study=world.study, gate="post_dose", supersedes=None
    )
    assert sum(int(row[2]) for row in waits.rows) == taken.values("participant").distinct().count() > 0  # fmt: skip
    for chart in charts.values():
        assert f'<h2 id="{chart.key}-h">{chart.title}</h2>' in page
        sheet = client.get(reverse("progress_file", args=[world.study.slug, chart.key, "csv"]))
        rows = table_of(sheet.content.decode())
        assert rows == [[str(cell) for cell in row] for row in chart.rows]
        drawing = client.get(reverse("progress_file", args=[world.study.slug, chart.key, "svg"]))
        assert drawing.status_code == (200 if chart.drawing else 404)


def test_each_screen_failure_has_one_main_reason(world: World) -> None:
    coordinator = cast.actor_of(world.people[Role.COORDINATOR], world.study)

    def reasons() -> dict[str, int]:
        return dict(kept_charts(world.study, world.now)[0].rows)  # type: ignore[arg-type]

    before = reasons()
    leaving = world.study.participants.filter(
        status="active", assessments__gate="screening", entry=None
    ).first()
    participant_withdraw(participant=leaving, reason="No time.", actor=coordinator)
    after = reasons()
    assert sum(after.values()) == sum(before.values()) + 1
    assert after["declined or withdrew"] == before.get("declined or withdrew", 0) + 1


@pytest.mark.parametrize("role", [Role.PHARMACIST, Role.EXPERIMENTER])
def test_who_does_not_lead_or_watch_does_not_see_progress(world: World, role: Role) -> None:
    client = client_for(world.people[role])
    assert client.get(reverse("progress", args=[world.study.slug])).status_code == 403
    assert "Participant flow" not in client.get(reverse("home", args=[world.study.slug])).content.decode()  # fmt: skip


@pytest.mark.parametrize(("chart", "form"), [("nothing", "csv"), ("flow", "pdf")])
def test_a_chart_or_form_there_is_not_is_not_found(world: World, chart: str, form: str) -> None:
    client = client_for(world.people[Role.LEAD])
    assert client.get(reverse("progress_file", args=[world.study.slug, chart, form])).status_code == 404  # fmt: skip
