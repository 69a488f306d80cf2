"""Ways to break the demo document, each with the key and the words that must name it."""

import copy
import re
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

DOCUMENTS = Path(__file__).parents[2] / "studylab" / "studies" / "documents"
DEMO = (DOCUMENTS / "demo.toml").read_text(encoding="utf-8")
DATA = tomllib.loads(DEMO)
GONE = object()  # as a new value: delete the key


def parts(path: str) -> list[str | int]:
    """Split "visits[2].key" into names and places; places count from 1 in messages."""
    found = re.findall(r'\[(\d+)\]|"([^"]+)"|([^.\[\]"]+)', path)
    return [int(place) - 1 if place else quoted or name for place, quoted, name in found]


def changed(*changes: tuple[str, Any]) -> dict[str, Any]:
    """Return the demo document with each (path, value) put in, or taken out when it is GONE."""
    data = copy.deepcopy(DATA)
    for path, value in changes:
        *way, last = parts(path)
        place: Any = data
        for part in way:
            place = place[part]
        if value is GONE:
            del place[last]
        elif isinstance(place, list) and last == len(place):
            place.append(value)
        else:
            place[last] = value
    return data


def paths_in(value: Any, path: str = "") -> list[str]:
    """Return the path of every key and row below `value`."""
    found: list[str] = []
    if isinstance(value, dict):
        rows = [(f'{path}."{key}"' if path else key, row) for key, row in value.items()]
    else:
        rows = [(f"{path}[{n}]", row) for n, row in enumerate(value, 1)]
    for name, row in rows:
        found.append(name)
        if isinstance(row, dict | list):
            found.extend(paths_in(row, name))
    return found


# Steps of visit 2 in the demo: 1 identity, 2 questions, 3 pre-dose, 6 dose, 10 post-dose, 15 leave.
STEP = "visits[2].steps"
WORK_UP = {
    "key": "level", "kind": "work_up", "text": "x", "unit": "mA", "first": 1, "rise_from": 2, "rise_to": 3,
    "maximum": 10, "options": ["low", "good", "high"], "stop_at": "good", "too_much": ["high"], "carry": True,
}  # fmt: skip
TYPE = {"key": "a", "name": "A", "count": 5}
TRIALS = {
    "key": "run", "name": "Run", "longest_run": 2, "types": [TYPE, {"key": "b", "name": "B", "count": 2}],
}  # fmt: skip
NOTICES = {"unread_minutes": 15, "order": ["clinician", "lead"]}
TICK = {"key": "extra", "kind": "tick", "text": "Extra."}

BREAKAGES: list[tuple[str, list[tuple[str, Any]], str, str]] = [
    # name, changes, key of the problem, a part of its message or fix
    ("hours twice", [("messages.before_visit_hours", [3, 48, 3])], "messages.before_visit_hours", "Name each time once"),
    ("hours too many", [("messages.before_visit_hours", [1000])], "messages.before_visit_hours[1]", "336"),
    ("no hours", [("messages.before_visit_hours", [])], "messages.before_visit_hours", "at least"),
    ("quiet without end", [("messages.quiet_until", GONE)], "messages.quiet_from", "Add quiet_until"),
    ("quiet at odd minutes", [("messages.quiet_from", "21:10")], "messages.quiet_from", "whole quarter"),
    ("unknown message", [("messages.after_visit_hours", [1])], "messages.after_visit_hours", "not known"),
    ("days as text", [("messages.kit_days", "30")], "messages.kit_days", "whole number"),
    ("missing text", [("title", GONE)], "title", "missing"),
    ("empty text", [("summary", "  ")], "summary", "empty"),
    ("number for text", [("substance", 40)], "substance", "must be a text"),
    ("control character", [("title", "a\x00b")], "title", "control character"),
    ("too long", [("title", "x" * 4001)], "title", "4000"),
    ("slug", [("slug", "Harbour Story")], "slug", "small letters"),
    ("unknown key", [("phone_24", "1")], "phone_24", '"phone_24h"'),
    ("unknown deep", [("visits[1].segments[1].minuts", 5)], "visits[1].segments[1].minuts", "minutes"),
    ("unknown far", [("zzz", 1)], "zzz", "Known here"),
    ("time zone", [("timezone", "America/Halifacks")], "timezone", '"America/Halifax"'),
    ("time zone folder", [("timezone", "America")], "timezone", "IANA"),
    ("time zone escape", [("timezone", "../etc/passwd")], "timezone", "IANA"),
    ("country", [("country", "Canada")], "country", "ISO 3166"),
    ("subdivision", [("subdivision", "")], "subdivision", "leave the key out"),
    ("emergency", [("emergency_number", "")], "emergency_number", "dialled"),
    ("phone missing", [("phone_24h", GONE)], "phone_24h", "missing"),
    ("phone", [("phone_24h", "ask at the desk")], "phone_24h", "dialled"),
    ("currency", [("currency", "dollars")], "currency", "ISO 4217"),
    ("pooled too early", [("progress.pooled_from", 4)], "progress.pooled_from", "5 to"),
    ("pooled one by one", [("progress.pooled_step", 1)], "progress.pooled_step", "3 to"),
    ("planned never", [("progress.planned_weeks", 0)], "progress.planned_weeks", "1 to"),
    ("kept from", [("retention[1].since", "whenever")], "retention[1].since", "study_closed"),
    ("kept for", [("retention[1].years", 0)], "retention[1].years", "1 to"),
    ("stopped share", [("payments.stopped_share", 1.5)], "payments.stopped_share", "to 1"),
    ("payments misspelt", [("payments.stoped_share", 1)], "payments.stoped_share", '"stopped_share"'),
    ("progress misspelt", [("progress.pooled_form", 10)], "progress.pooled_form", '"pooled_from"'),
    ("target zero", [("target", 0)], "target", "1 to"),
    ("target true", [("target", True)], "target", "whole number"),
    ("target half", [("target", 4.5)], "target", "whole number"),
    ("target huge", [("target", 16**5000)], "target", "18 digits"),
    ("visits missing", [("visits", GONE)], "visits", "missing"),
    ("visits no list", [("visits", 3)], "visits", "list"),
    ("visit no table", [("visits[2]", "x")], "visits[2]", "table"),
    ("two visits", [("visits[3]", GONE)], "visits", "at least 3"),
    ("visit order", [("visits[2].number", 3)], "visits[2].number", "in order"),
    ("visit keys", [("visits[3].key", "visit1")], "visits[3].key", "visits[1]"),
    ("visit key form", [("visits[3].key", "Visit 3")], "visits[3].key", "underscores"),
    ("payment", [("visits[1].payment", -1)], "visits[1].payment", "from 0"),
    ("no segments", [("visits[1].segments", [])], "visits[1].segments", "at least 1"),
    ("segment keys", [("visits[1].segments[2].key", "arrive")], "visits[1].segments[2].key", "another"),
    ("minutes", [("visits[2].segments[1].minutes", 0)], "visits[2].segments[1].minutes", "from 1"),
    ("need empty", [("visits[1].segments[1].needs[1]", "")], "visits[1].segments[1].needs[1].kind", "empty"),
    ("need count", [("visits[1].segments[1].needs[1]", {"kind": "lab room", "count": 0})],
     "visits[1].segments[1].needs[1].count", "from 1"),
    ("need no table", [("visits[1].segments[1].needs[1]", 7)], "visits[1].segments[1].needs[1]", "table"),
    ("need twice", [("visits[1].segments[1].needs[2]", "lab room")], "visits[1].segments[1].needs[2]", "twice"),
    ("needs text", [("visits[1].segments[1].needs", "lab room")], "visits[1].segments[1].needs", "list"),
    ("step keys", [(f"{STEP}[2].key", "identity")], f"{STEP}[2].key", "another"),
    ("step kind", [(f"{STEP}[2].kind", "question")], f"{STEP}[2].kind", "questions"),
    ("step text", [(f"{STEP}[2].text", GONE)], f"{STEP}[2].text", "missing"),
    ("identity first", [("visits[1].steps[1]", TICK)], "visits[1].steps[1].kind", "identity"),
    ("identity optional", [(f"{STEP}[1].required", False)], f"{STEP}[1].required", "left out"),
    ("required text", [(f"{STEP}[1].required", "no")], f"{STEP}[1].required", "true or false"),
    ("no dose", [(f"{STEP}[6]", TICK)], "visits", "No visit has a dose"),
    ("two doses", [(f"{STEP}[8]", {"key": "again", "kind": "dose", "text": "x", "segment": "wait"})],
     f"{STEP}[8].kind", "second dose"),
    ("dose twice in study",
     [("visits[3].steps[2]", {"key": "b", "kind": "dose", "text": "x", "segment": "test"})],
     "visits[3].steps[2].kind", "second dose"),
    ("dose segment", [(f"{STEP}[6].segment", GONE)], f"{STEP}[6].segment", "missing"),
    ("dose segment name", [(f"{STEP}[6].segment", "dosee")], f"{STEP}[6].segment", '"dose"'),
    ("no questions", [(f"{STEP}[2]", TICK)], STEP, "dosing-day questions"),
    ("no pre-dose", [(f"{STEP}[3]", TICK)], STEP, "pre_dose"),
    ("optional pre-dose", [(f"{STEP}[3].required", False)], STEP, "pre_dose"),
    ("no leave check", [(f"{STEP}[15]", TICK)], STEP, "fit-to-leave"),
    ("gate missing", [(f"{STEP}[3].gate", GONE)], f"{STEP}[3].gate", "missing"),
    ("gate word", [(f"{STEP}[3].gate", "predose")], f"{STEP}[3].gate", "pre_dose"),
    ("gate in visit 1",
     [("visits[1].steps[2]", {"key": "v", "kind": "vitals", "text": "x", "gate": "leave"})],
     "visits[1].steps[2].gate", "visit with the dose"),
    ("dosing day short", [("visits[2].segments[7].minutes", 60)], "visits[2].segments", "240"),
    ("choice options", [("visits[3].steps[2].options", ["well"])], "visits[3].steps[2].options", "at least 2"),
    ("options twice", [("visits[3].steps[2].options[2]", "well")], "visits[3].steps[2].options[2]", "twice"),
    ("options on tick", [("visits[1].steps[2].options", ["a", "b"])], "visits[1].steps[2].options", "choice"),
    ("number bounds", [("visits[1].steps[5].minimum", 100)], "visits[1].steps[5].minimum", "below maximum"),
    ("number no bound", [("visits[1].steps[5].maximum", GONE)], "visits[1].steps[5].maximum", "missing"),
    ("number unit", [("visits[1].steps[5].unit", GONE)], "visits[1].steps[5].unit", "missing"),
    ("number nan", [("visits[1].steps[5].minimum", float("nan"))], "visits[1].steps[5].minimum", "number"),
    ("timer", [("visits[1].steps[8].minutes", GONE)], "visits[1].steps[8].minutes", "missing"),
    ("carry on tick", [("visits[1].steps[2].carry", True)], "visits[1].steps[2].carry", "number or choice"),
    ("work-up rating", [("visits[1].steps[5]", WORK_UP | {"stop_at": "ouch"})], "visits[1].steps[5].stop_at", "none of"),
    ("work-up first", [("visits[1].steps[5]", WORK_UP | {"first": 11})], "visits[1].steps[5].first", "above the ceiling"),
    ("work-up rise", [("visits[1].steps[5]", WORK_UP | {"rise_to": 1})], "visits[1].steps[5].rise_from", "largest"),
    ("work-up too much", [("visits[1].steps[5]", WORK_UP | {"too_much": ["good"]})],
     "visits[1].steps[5].too_much", "one of the two"),
    ("work-up keys elsewhere", [("visits[1].steps[2].rise_to", 3)], "visits[1].steps[2].rise_to", "not known"),
    ("trials unknown", [("visits[1].steps[2].trials", "learning")], "visits[1].steps[2].trials", "no order"),
    ("trials never run", [("visits[1].trial_orders", [TRIALS])], "visits[1].trial_orders[1]", "No step"),
    ("trials impossible", [("visits[1].trial_orders", [TRIALS | {"longest_run": 1}])],
     "visits[1].trial_orders[1].longest_run", "No order"),
    ("trials first", [("visits[1].trial_orders", [TRIALS | {"first": ["c"]}])],
     "visits[1].trial_orders[1].first", "no type"),
    ("trials probes", [("visits[1].trial_orders", [TRIALS | {"probes_alone": 9}])],
     "visits[1].trial_orders[1].probes_alone", "room for 6"),
    ("trials followed", [("visits[1].trial_orders", [TRIALS | {"types": [TYPE | {"followed": 6}]}])],
     "visits[1].trial_orders[1].types[1].followed", "cannot"),
    ("trials factor", [("visits[1].trial_orders", [TRIALS | {"types": [TYPE | {"factor": "cue", "count": 1}]}])],
     "visits[1].trial_orders[1].types[1].factor", "no open factor"),
    ("label of nothing", [("visits[1].steps[3].of", "sensors")], "visits[1].steps[3].of", "no kind"),
    ("returns nothing", [("visits[1].steps[2].returns", "sensor_set")], "visits[1].steps[2].returns", "earlier label"),
    ("shows nothing", [("visits[1].steps[6].shows", "storey")], "visits[1].steps[6].shows", '"story"'),
    ("shows too early", [("visits[1].steps[4].shows", "screen_distance")], "visits[1].steps[4].shows", "earlier"),
    ("shows not carried", [("visits[1].steps[5].carry", False)], "visits[3].steps[4].shows", "carried"),
    ("carried twice", [("visits[3].steps[6].key", "screen_distance"), ("visits[3].steps[6].carry", True)],
     "visits[3].steps[6].key", "already carried"),
    ("carried as factor", [("visits[1].steps[9].key", "story"), ("visits[1].steps[9].carry", True)],
     "visits[1].steps[9].key", "open factor"),
    ("spacing visit", [("spacings[1].end", "visit4.start")], "spacings[1].end", "names no visit"),
    ("spacing point", [("spacings[1].end", "visit2.begin")], "spacings[1].end", "visit2.start"),
    ("spacing no dose", [("spacings[1].start", "visit1.dose")], "spacings[1].start", "no dose"),
    ("spacing backwards", [("spacings[1].start", "visit3.start")], "spacings[1].end", "later"),
    ("spacing order", [("spacings[1].earliest_hours", 25)], "spacings[1]", "earliest_hours <="),
    ("spacing late", [("spacings[2].latest_hours", 23)], "spacings[2]", "latest_hours"),
    ("spacing infinite", [("spacings[2].latest_hours", float("inf"))], "spacings[2].latest_hours", "number"),
    ("spacing twice", [("spacings[3]", DATA["spacings"][0])], "spacings[3]", "same two anchors"),
    ("spacing lacks", [("spacings[2]", GONE)], "spacings", "visit3"),
    ("wait visit", [("waits[1].visit", "visit9")], "waits[1].visit", "key of a visit"),
    ("wait step", [("waits[1].after", "doses")], "waits[1].after", '"dose"'),
    ("wait order", [("waits[1].before", "pre_dose")], "waits[1].before", "does not come after"),
    ("wait end", [("waits[1].before", "pulse_30")], "waits[1].before", "post-dose vitals"),
    ("wait short", [("waits[1].minutes", 59)], "waits[1].minutes", "tighten, not loosen"),
    ("wait not dose", [("waits[1].after", "settled")], "waits", "No wait follows the dose"),
    ("wait twice", [("waits[2]", DATA["waits"][0])], "waits[2].after", "second wait"),
    ("wait tolerance", [("waits[1].tolerance_minutes", -1)], "waits[1].tolerance_minutes", "from 0"),
    ("turnaround lacks", [('turnaround."lab room"', GONE)], "turnaround.lab room", "= 0"),
    ("turnaround extra", [('turnaround."lab rom"', 5)], "turnaround.lab rom", '"lab room"'),
    ("turnaround below 0", [('turnaround."lab room"', -5)], "turnaround.lab room", "from 0"),
    ("band order", [("limits.screening.pulse.pass_from", 101)], "limits.screening.pulse", "Order them"),
    ("band equal", [("limits.screening.pulse.pass_from", 100)], "limits.screening.pulse", "in order"),
    ("band lacks", [("limits.pre_dose.systolic.review_below", GONE)],
     "limits.pre_dose.systolic.review_below", "missing"),
    ("band gone", [("limits.pre_dose.systolic", GONE)], "limits.pre_dose.systolic", "missing"),
    ("loose systolic", [("limits.screening.systolic.review_from", 89.9)],
     "limits.screening.systolic.review_from", "tighten, not loosen"),
    ("loose diastolic", [("limits.screening.diastolic.review_from", 54)],
     "limits.screening.diastolic.review_from", "tighten, not loosen"),
    ("loose pulse", [("limits.pre_dose.pulse.review_from", 49)],
     "limits.pre_dose.pulse.review_from", "tighten, not loosen"),
    ("loose floor", [("limits.floor.pulse", 45)], "limits.floor.pulse", "tighten, not loosen"),
    ("floor lacks", [("limits.floor.systolic", GONE)], "limits.floor.systolic", "missing"),
    ("post-dose order", [("limits.post_dose.pulse_pause_from", 55)],
     "limits.post_dose.pulse_pause_from", "pulse_pass_from"),
    ("loose leave", [("limits.leave.earliest_minutes", 119)],
     "limits.leave.earliest_minutes", "tighten, not loosen"),
    ("leave order", [("limits.leave.not_fit_after_minutes", 200)],
     "limits.leave.earliest_minutes", "not_fit_after_minutes"),
    ("gap order", [("limits.measuring.gap_max_seconds", 30)], "limits.measuring.gap_min_seconds", "gap_max"),
    ("no repeat rest", [("limits.measuring.repeat_after_seconds", GONE)],
     "limits.measuring.repeat_after_seconds", "missing"),
    ("loose standing fall", [("limits.standing.systolic_fall", 25)],
     "limits.standing.systolic_fall", "tighten, not loosen"),
    ("loose standing value", [("limits.standing.systolic_from", 85)],
     "limits.standing.systolic_from", "tighten, not loosen"),
    ("ecg order", [("limits.ecg.pr_from", 200), ("limits.ecg.pr_to", 150)], "limits.ecg.pr_from", "below pr_to"),
    ("unknown check", [("limits.checks.pre_dose", ["pregnancy_test", "ecg"])],
     "limits.checks.pre_dose[2]", "limits.ecg"),
    ("no pregnancy test", [("limits.checks.pre_dose", ["breath_alcohol"])],
     "limits.checks.pre_dose", "pregnancy_test"),
    ("no standing test", [("limits.checks.leave", ["last_meal"])], "limits.checks.leave", "standing_test"),
    ("number lacks", [("limits.numbers.faints", GONE)], "limits.numbers.faints", "missing"),
    ("number unknown", [("limits.numbers.age_maximum", 50)], "limits.numbers.age_maximum", '"age_max"'),
    ("children", [("limits.numbers.age_min", 17)], "limits.numbers.age_min", "from 18"),
    ("age order", [("limits.numbers.age_max", 18), ("limits.numbers.age_min", 20)],
     "limits.numbers.age_min", "age_max"),
    ("question twice", [("questions[2].id", "S-01")], "questions[2].id", "another"),
    ("question id", [("questions[1].id", "first")], "questions[1].id", "S-01"),
    ("disposition", [("questions[1].disposition", "maybe")], "questions[1].disposition", "physician"),
    ("disposition list", [("questions[1].disposition", ["note"])], "questions[1].disposition", "physician"),
    ("question when", [("questions[1].when", "later")], "questions[1].when", "dosing_day"),
    ("question flag", [("questions[1].flag_on", True)], "questions[1].flag_on", "yes"),
    ("one arm", [("allocation.arms[2]", GONE)], "allocation.arms", "at least 2"),
    ("arm keys", [("allocation.arms[2].key", "active")], "allocation.arms[2].key", "another"),
    ("ratio zero", [("allocation.arms[1].ratio", 0)], "allocation.arms[1].ratio", "from 1"),
    ("ratio half", [("allocation.arms[1].ratio", 1.5)], "allocation.arms[1].ratio", "whole number"),
    ("block of 6", [("allocation.block_sizes", [6])], "allocation.block_sizes[1]", "multiple of 4"),
    ("block of 2", [("allocation.block_sizes", [2])], "allocation.block_sizes[1]", "multiple of 4"),
    ("blocks and ratio", [("allocation.arms[1].ratio", 2), ("allocation.block_sizes", [4])],
     "allocation.block_sizes[1]", "multiple of 6"),
    ("block twice", [("allocation.block_sizes", [4, 4])], "allocation.block_sizes[2]", "another"),
    ("no blocks", [("allocation.block_sizes", [])], "allocation.block_sizes", "at least 1"),
    ("unknown method", [("allocation.method", "dice")], "allocation.method", "simple"),
    ("blocks of no use", [("allocation.method", "simple"), ("allocation.block_sizes", [4])],
     "allocation.block_sizes", "has no block_sizes"),
    ("no factors", [("allocation.method", "minimisation")], "allocation.strata", "none is named"),
    ("short list", [("allocation.length", 47)], "allocation.length", "48"),
    ("one level", [("allocation.open_factors[1].levels", ["a"])], "allocation.open_factors[1].levels", "at least 2"),
    ("levels twice", [("allocation.open_factors[1].levels", ["a", "a"])],
     "allocation.open_factors[1].levels[2]", "twice"),
    ("strata", [("allocation.strata", {"sex": ["female"]})], "allocation.strata.sex", "at least 2"),
    ("too much", [("supply.count", 2)], "supply.strength_mg", "tighten, not loosen"),
    ("no strength", [("supply.strength_mg", 0)], "supply.strength_mg", "above 0"),
    ("no count", [("supply.count", 0)], "supply.count", "from 1"),
    ("no storage", [("supply.storage", GONE)], "supply.storage", "missing"),
    ("follow-up order", [("follow_up.from_hours", 31)], "follow_up.from_hours", "until_hours"),
    ("follow-up empty", [("follow_up.questions", [])], "follow_up.questions", "at least 1"),
    ("report too late", [("safety.reports[1].hours", 25)], "safety.reports[1].hours", "24 hours"),
    ("report twice timed", [("safety.reports[1].days", 1)], "safety.reports[1].hours", "one of them"),
    ("no breach clock", [("safety.reports[5]", GONE)], "safety.reports", "serious_breach"),
    ("unknown hold", [("safety.stopping[1].holds", ["pulse"])], "safety.stopping[1].holds[1]", "vitals"),
    ("stopping by nothing", [("safety.stopping[3].serious", False)], "safety.stopping[3].terms", "counts nothing"),
    ("stopping never", [("safety.stopping[1].people", 11)], "safety.stopping[1].people", "never"),
    ("stopping term", [("safety.stopping[1].terms", ["yawn"])], "safety.stopping[1].terms", "terms"),
    ("term twice", [("safety.terms[2].term", "Tiredness")], "safety.terms[2].term", "another"),
    ("authority's zone", [("safety.authority_timezone", "Halifax")], "safety.authority_timezone", "IANA"),
    ("text for no visit", [("volunteer.before[2].visit", "visit9")], "volunteer.before[2].visit", "not the key"),
    ("text twice", [("volunteer.before[2].visit", "visit1")], "volunteer.before[2].visit", "already"),
    ("French alone", [("volunteer.where", GONE)], "volunteer.where_fr", "Add where"),
    ("moves how", [("volunteer.moves", "maybe")], "volunteer.moves", "alone"),
    ("answers never", [("volunteer.answer_minutes", 0)], "volunteer.answer_minutes", "1 to"),
    ("answers in words", [("volunteer.answer_minutes", "soon")], "volunteer.answer_minutes", "whole number"),
    ("unknown of volunteers", [("volunteer.bringing", "x")], "volunteer.bringing", "bring"),
    ("told who may know arms", [("notices", {**NOTICES, "order": ["pharmacist"]})], "notices.order", "coordinator"),
    ("told twice", [("notices", {**NOTICES, "order": ["lead", "lead"]})], "notices.order", "once"),
    ("told nobody", [("notices", {**NOTICES, "order": []})], "notices.order", "at least"),
    ("unread for ever", [("notices", {**NOTICES, "unread_minutes": 0})], "notices.unread_minutes", "1 to"),
    ("night of no length", [("notices", {**NOTICES, "night_role": "lead", "night_from": "07:00"})], "notices.night_until", "two different"),
    ("night at no time", [("notices", {**NOTICES, "night_from": "25:00"})], "notices.night_from", "Write a time"),
    ("unknown notice", [("notices", {**NOTICES, "night_rol": "lead"})], "notices.night_rol", "night_role"),
    ("date for text", [("consent_version", date(2026, 1, 12))], "consent_version", "must be a text"),
]  # fmt: skip
