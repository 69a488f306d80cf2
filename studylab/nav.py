"""The sections of a study and which of them somebody has.

The table is pure. Addresses are looked up by name; a section whose page does not exist is left out.
"""

from dataclasses import dataclass

from django.urls import NoReverseMatch, reverse

from studylab.access import Actor, Cap


@dataclass(frozen=True, slots=True)
class Section:
    """One entry of the navigation. `key` is the name of its page and marks the current one."""

    key: str
    label: str
    cap: Cap
    owns: tuple[str, ...] = ()
    url: str = ""


# `owns` are beginnings of names of pages that belong to the section though they live at another address.
SECTIONS = (
    Section("today", "Today", Cap.TODAY_VIEW, ("visit_", "visit", "run_", "dose_", "step_", "contact_call", "monitor_", "unsent_")),
    Section("calendar", "Calendar", Cap.CALENDAR_VIEW, ("calendar_", "series_", "booking_")),
    Section(
        "volunteers", "Volunteers", Cap.VOLUNTEER_VIEW,
        ("volunteer", "consent_", "questionnaire", "medicine", "vitals_", "assessment", "progress", "payment"),
    ),
    Section("sign_off_queue", "Sign-off", Cap.SIGN_OFF, ("sign_off",)),
    Section("dispensary", "Dispensary", Cap.DISPENSE, ("dispensary_", "list_", "kit_", "kits", "dispense", "batch_",
         "excursion", "containers", "cards", "reveals", "reconciliation")),
    Section("safety", "Safety", Cap.SAFETY_VIEW, ("safety_", "deviation", "event", "pause", "hold_", "code_open", "reveals", "drill", "card", "unblinding",
         "opened_", "opening_", "data_lock", "learnt", "guess", "assay", "arm_")),
    Section("record", "Record", Cap.RECORD_VIEW, ("record_", "audit")),
    Section("set_up", "Set-up", Cap.SETUP_VIEW, ("set_up_", "protocol", "people", "resource", "device", "wording")),
)  # fmt: skip


def url_or_none(name: str, study_slug: str | None = None) -> str | None:
    """Return the address of a page of the study, or of the site, or None where there is no such page."""
    for kwargs in ({"study": study_slug}, {}) if study_slug else ({},):
        try:
            return reverse(name, kwargs=kwargs)
        except NoReverseMatch:
            continue
    return None


def sections_for(actor: Actor | None) -> tuple[Section, ...]:
    """Return the sections that the actor's capabilities open, in the order of the house."""
    if actor is None:
        return ()
    return tuple(section for section in SECTIONS if actor.may(section.cap))


def linked_sections(actor: Actor | None, study_slug: str) -> list[Section]:
    """Return the actor's sections with their addresses."""
    linked = []
    for section in sections_for(actor):
        url = url_or_none(section.key, study_slug)
        if url:
            linked.append(Section(section.key, section.label, section.cap, section.owns, url))
    return linked


def current_section(page_name: str, path: str, sections: list[Section]) -> str:
    """Return the key of the section a page belongs to, or "".

    The longest section address that begins `path` decides; failing that, the name of the page.
    """
    below = [section for section in sections if path.startswith(section.url)]
    if below:
        return max(below, key=lambda section: len(section.url)).key
    for section in sections:
        if page_name == section.key or (page_name and page_name.startswith(section.owns)):
            return section.key
    return ""
