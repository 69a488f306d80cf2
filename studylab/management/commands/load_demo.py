"""Load the invented lab and its study, in the middle of its life, through the services."""

import os
from argparse import ArgumentParser
from datetime import UTC, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.db import connection

from studylab import clock, env
from studylab.audit.models import Event
from studylab.audit.services import seal_events
from studylab.management.demo.access import came_and_reviewed, left_and_invited
from studylab.management.demo.hours import dated_hours
from studylab.management.demo.lab import Lab, build_lab
from studylab.management.demo.large.load import check_wanted, demo_lab, load_large
from studylab.management.demo.messages import told
from studylab.management.demo.plot import NOON, Plot
from studylab.management.demo.tablet import compared_monitors, named_tablet
from studylab.people.selectors import actor_for
from studylab.reports.services.export_work import work
from studylab.reports.services.exports import export_ask
from studylab.studies.models import Study

ZONE = ZoneInfo("America/Halifax")


def _moment() -> datetime:
    """The moment at which the small demonstration stands: its last event."""
    last = Event.objects.order_by("-at", "-id").values_list("at", flat=True).first()
    return last or datetime.now(UTC)


def _export(lab: Lab, at: datetime) -> None:
    """Make an export of the data, so that there is one to look at."""
    with clock.travel(at):
        work(export_ask(study=lab.study, actor=actor_for(lab.users["lead"], lab.study)).pk)


class Command(BaseCommand):
    """`load_demo --if-empty` is what the start of the demonstration calls each time."""

    help = "Load the demonstration: an invented lab, about 40 volunteers, a sealed list, two weeks of visits."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Add --if-empty."""
        parser.add_argument(
            "--if-empty",
            action="store_true",
            help="do nothing but set the clock when a study is there",
        )
        parser.add_argument(
            "--volunteers", type=int, help="fill a large site with so many invented volunteers"
        )
        parser.add_argument("--studies", type=int, help="spread them over so many studies (40)")
        parser.add_argument("--seed", type=int, default=1, help="another seed, other people (1)")

    def handle(self, *args: Any, **options: Any) -> None:
        """Load, or find it loaded; either way set the demonstration's clock."""
        if settings.ENVIRONMENT == "production":
            raise CommandError("The demonstration is never loaded into a production site.")
        if options["volunteers"] is None and options["studies"] is None:
            self._load(if_empty=options["if_empty"])
            return
        volunteers, studies = options["volunteers"] or 50_000, options["studies"] or 40
        check_wanted(volunteers, studies)
        if demo_lab() is None:
            self._load(if_empty=False)
        self._fill(volunteers, studies, options["seed"])

    def _fill(self, volunteers: int, studies: int, seed: int) -> None:
        """Fill a large site from the small demonstration that stands now."""
        loading = settings.STATE_DIR / "demo-loading"
        if loading.exists():
            raise CommandError(
                "Loading the demonstration was interrupted. Start it with --reset to begin anew."
            )
        loading.parent.mkdir(parents=True, exist_ok=True)
        loading.touch()
        filled = load_large(
            now=_moment(), volunteers=volunteers, studies=studies, seed=seed,
            say=self._say,
        )  # fmt: skip
        loading.unlink()
        self.stdout.write(
            f"{filled.volunteers:,} further volunteers in {filled.studies} further studies, {filled.rows:,} rows, "
            f"in {filled.seconds:.0f} s. The trail is sealed by the scheduler, or by verify_audit."
        )

    def _say(self, text: str) -> None:
        self.stdout.write(f"  {text}.")
        self.stdout.flush()

    def _load(self, *, if_empty: bool) -> None:
        loading = settings.STATE_DIR / "demo-loading"
        if Study.objects.exists() and loading.exists():
            raise CommandError(
                "Loading the demonstration was interrupted. Start it with --reset to begin anew."
            )
        if Study.objects.exists():
            if not if_empty:
                raise CommandError(
                    "There is a study already. Start the demo with --reset to begin anew."
                )
            self._resume()
            return
        today = env.day("STUDYLAB_TODAY") or datetime.now(ZONE).date()
        with connection.cursor() as cursor:
            cursor.execute("SET statement_timeout = 0")
        loading.parent.mkdir(parents=True, exist_ok=True)
        loading.touch()
        begin = datetime.combine(today, NOON, tzinfo=ZONE)
        lab = build_lab(begin - timedelta(days=63))
        came_and_reviewed(lab, begin - timedelta(days=63))
        plot = Plot(lab, today, self._say)
        plot.build()
        dated_hours(lab, plot.now)
        left_and_invited(lab, plot.now)
        plot.say("What became of messages, and what was read of the notices")
        told(lab, plot.at)
        _export(lab, plot.now)
        named_tablet(lab, plot.now)
        compared_monitors(lab, plot.now)
        while seal_events():
            pass
        self._set_clock(begin)
        loading.unlink()

    def _resume(self) -> None:
        """Go on at the moment where the record stops, so that today's visits are still today's."""
        wanted = env.day("STUDYLAB_TODAY")
        last = Event.objects.order_by("-at", "-id").values_list("at", flat=True).first()
        if wanted is not None:
            self._set_clock(datetime.combine(wanted, time(12, 40), tzinfo=ZONE))
        elif last is not None:
            self._set_clock(last)

    def _set_clock(self, moment: datetime) -> None:
        offset = moment + timedelta(seconds=30) - datetime.now(UTC)
        path = settings.STATE_DIR / "demo-clock"
        scratch = path.with_suffix(".new")
        scratch.write_text(f"{offset.total_seconds():.0f}\n", encoding="ascii")
        os.replace(scratch, path)
