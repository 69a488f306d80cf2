"""About the program: versions, sources of its rules, open data, licences."""

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from screening.rules.table import load_table
from studylab.access import Cap, requires
from studylab.help.selectors import about as facts
from studylab.http import StaffRequest


@requires(Cap.SIGNED_IN)
@require_GET
def about(request: StaffRequest) -> HttpResponse:
    """Show what runs here and where it comes from; nothing secret, nothing about the machine."""
    named, own = facts.rule_sources()
    table = load_table()
    context = {
        "versions": facts.versions(), "digest": facts.program_digest(), "table": table,
        "named": named, "own": own, "data": facts.open_data(), "packages": facts.packages(),
    }  # fmt: skip
    return render(request, "help/about.html", context)


@requires(Cap.SIGNED_IN)
@require_GET
def about_licence(request: StaffRequest, name: str) -> HttpResponse:
    """Show the licence texts that a package carries."""
    texts = facts.licence_texts(name)
    if not texts:
        raise Http404("No package of this program carries a licence text under this name.")
    return render(request, "help/licence.html", {"name": name, "texts": texts})
