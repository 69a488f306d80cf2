"""The rules over everybody: which count now, the runs, and whose outcome a run changed."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from screening.forms.listing import RuleSearchForm
from screening.models import Assessment, RulesRun
from screening.rules.compare import finding_changes
from screening.rules.listing import SORTS, entries, search
from screening.rules.table import load_table
from screening.selectors.inputs import table_of
from screening.selectors.runs import access_run, outcome_changes, people_outdated, runs_of
from screening.services.reassess import reassess_all
from screening.views.words import DISPOSITIONS, FINDING_CHANGES, OUTCOMES
from studylab.access import Cap, requires
from studylab.http import StaffRequest
from studylab.studies.selectors import current_protocol

AT_ONCE = 500  # people that a page assesses while somebody waits; more is left to a worker


@requires(Cap.HEALTH_VIEW)
@require_GET
def runs(request: StaffRequest, study: str) -> HttpResponse:
    """Show which rules count, who was assessed by others, and every run with its progress."""
    protocol = current_protocol(request.study)
    context = {
        "protocol": protocol,
        "table": table_of(protocol),
        "outdated": people_outdated(request.study, protocol).count(),
        "runs": runs_of(request.study)[:50],
    }
    return render(request, "screening/rules_runs.html", context)


@requires(Cap.RULES_VIEW)
@require_GET
def table(request: StaffRequest, study: str) -> HttpResponse:
    """Every rule that counts for the study: what it asks, what it leads to, why, and how that is known."""
    protocol = current_protocol(request.study)
    counts = table_of(protocol)
    rules = entries(counts, load_table(), protocol.plan.limits.numbers)
    form = RuleSearchForm(request.GET)
    found = search(rules, **form.wanted())
    sorts = [(name, [rule for rule in found if rule.sort == sort]) for sort, name in SORTS.items()]
    context = {
        "protocol": protocol, "table": counts, "form": form, "all": len(rules), "found": len(found),
        "groups": [(name, rows) for name, rows in sorts if rows], "dispositions": DISPOSITIONS,
    }  # fmt: skip
    return render(request, "screening/rules_table.html", context)


@requires(Cap.LIMITS_CONFIRM)
@require_POST
def run_now(request: StaffRequest, study: str) -> HttpResponse:
    """Assess everybody now: at once where they are few, else as far as one page may take."""
    waiting = people_outdated(request.study, current_protocol(request.study)).count()
    if waiting > AT_ONCE:
        from screening.tasks import knock

        knock(request.study.pk)
        messages.info(request, f"{waiting} people are assessed anew in the background.")
        return redirect("set_up_rules", study)
    run = reassess_all(study=request.study, actor=request.actor)
    messages.success(
        request, f"{run.made} people were assessed anew, {run.changed} with another outcome."
    )
    return redirect("set_up_rules_of", study, run.uid)


@requires(Cap.HEALTH_VIEW)
@require_GET
def run(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Everybody whose outcome a run changed, with what made the difference."""
    found = access_run(request.study, uid)
    page = Paginator(outcome_changes(found), 50).get_page(request.GET.get("page"))
    context = {
        "run": found,
        "page": page,
        "rows": _rows(list(page.object_list)),
        "words": FINDING_CHANGES,
        "share": _share(found),
    }
    return render(request, "screening/rules_run.html", context)


def _rows(changed: list[Any]) -> list[dict[str, Any]]:
    before = Assessment.objects.in_bulk([one.before_id for one in changed])
    return [
        {
            "made": one,
            "before": OUTCOMES[one.before_outcome],
            "after": OUTCOMES[one.outcome],
            "changes": finding_changes(before[one.before_id].findings, one.findings),
        }
        for one in changed
    ]


def _share(found: RulesRun) -> float:
    return 1.0 if not found.people else min(1.0, found.done / found.people)
