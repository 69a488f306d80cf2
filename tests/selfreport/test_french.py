"""Canadian French: complete, and never mixed with English on one page."""

import ast
import gettext
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from django.urls import reverse
from django.utils import translation
from django.utils.translation import trans_real

from screening.rules.rows import Gate
from screening.rules.self_report import Screen
from screening.rules.table import load_table
from screening.rules.words import Words, table_texts, words_for
from screening.selectors.self_report import languages_of
from studylab.participants.models import Participant
from studylab.studies.models import ProtocolVersion
from studylab.studies.rules.loader import load_protocol, protocol_hash
from tests.cast import DOCUMENTS
from tests.selfreport.conftest import BORN
from tests.selfreport.phone import Phone, cards, quiet, text_of

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "studylab" / "locale" / "fr_CA" / "LC_MESSAGES"
GATE: Gate = "screening"
_PLACE = re.compile(r"%\(\w+\)s")


def read_po(text: str) -> dict[str, list[str]]:
    """Return msgid -> translations of a .po file, plural forms one after the other."""
    found: dict[str, list[str]] = {}
    for block in text.split("\n\n"):
        assert "#, fuzzy" not in block
        lines = dict(re.findall(r'^(msg\w+(?:\[\d\])?) ((?:".*"\n?)+)', block + "\n", flags=re.M))
        plain = {
            key: "".join(ast.literal_eval(part) for part in re.findall(r'".*"', value))
            for key, value in lines.items()
        }
        if plain.get("msgid"):
            found[plain["msgid"]] = [v for k, v in plain.items() if k.startswith("msgstr")]
            if "msgid_plural" in plain:
                found[plain["msgid"]].append(plain["msgid_plural"])
    return found


PO = read_po((FOLDER / "django.po").read_text(encoding="utf-8"))


def test_every_text_is_translated_with_the_same_places() -> None:
    assert len(PO) > 100
    for english, french in PO.items():
        for text in french:
            assert text.strip(), english
            assert (
                sorted(_PLACE.findall(text)) == sorted(_PLACE.findall(english))
                or "question" in english
            )


def test_signs_stand_as_in_canadian_french() -> None:
    """Office québécois de la langue française: nothing before ; ? and !, a no-break space before : and inside « »."""
    french = [text for english, texts in PO.items() for text in texts[:2] if text != english]
    for text in french:
        assert not re.search(r"\s[?!;]|(?<=[^\W\d_]):(?= )|[ \u202f]:|« | »", text), text


def test_the_compiled_file_is_that_of_the_source() -> None:
    """Read by Python's own gettext: what a fresh clone shows is what the .po says."""
    with (FOLDER / "django.mo").open("rb") as file:
        compiled = gettext.GNUTranslations(file)
    for english, french in PO.items():
        if len(french) == 1:
            assert compiled.gettext(english) == french[0]
        else:
            one, many, plural = french
            assert [compiled.ngettext(english, plural, n) for n in (0, 1, 2)] == [one, one, many]


def test_every_text_of_the_pages_stands_in_the_catalogue() -> None:
    """Every text marked for translation, in templates and in Python; found here by other means than gettext's."""
    marked: set[str] = set()
    for page in (ROOT / "templates").rglob("*.html"):
        text = page.read_text(encoding="utf-8")
        marked |= set(re.findall(r'{% translate "([^"]+)"', text))
        for block in re.findall(
            r"{% blocktranslate[^%]*%}(.*?){% (?:plural|endblocktranslate)", text, re.S
        ):
            marked.add(re.sub(r"{{ (\w+) }}", r"%(\1)s", " ".join(block.split())))
    for file in [
        *ROOT.glob("screening/**/self_report*.py"),
        *ROOT.glob("studylab/participants/**/link*.py"),
        *ROOT.glob("scheduling/selectors/feeds.py"),
        *ROOT.glob("scheduling/**/my_visits.py"),
        *ROOT.glob("scheduling/selectors/reminders.py"),
        *ROOT.glob("scheduling/**/own_*.py"),
        ROOT / "studylab/said_times.py",
    ]:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("_", "gettext_lazy"):
                assert isinstance(node.args[0], ast.Constant)
                marked.add(str(node.args[0].value))
    assert len(marked) > 100
    assert sorted(marked - set(PO)) == []
    assert sorted(set(PO) - marked) == []  # and nothing is kept that no page says


def test_every_question_of_the_house_has_its_french() -> None:
    words = words_for("fr-ca")
    assert words.lacking(load_table(), GATE) == []
    assert sorted(set(words.texts) - set(table_texts(load_table(), GATE)) - {"This study"}) == []
    for english, french in words.texts.items():
        assert english.endswith("?") == french.endswith("?"), english
        assert not re.search(r"\b[Tt]u\b| \?|« | »|«[^\u00a0]| :", french), french


@pytest.mark.parametrize("document", ["demo", "conditioning"])
def test_the_documents_that_ship_are_complete_in_french(document: str) -> None:
    plan = load_protocol((DOCUMENTS / f"{document}.toml").read_text(encoding="utf-8"))
    table = load_table().for_study(plan.questions)
    assert words_for("fr-ca", plan.questions).lacking(table, GATE) == []
    own = [question.text for question in plan.questions if question.when == GATE]
    assert words_for("fr-ca").lacking(table, GATE) == own


@pytest.mark.django_db
def test_a_study_with_a_question_without_french_is_offered_in_english_only(
    ana: Participant, study: Any
) -> None:
    assert languages_of(ana) == ("en", "fr-ca")
    version = study.protocol_versions.get()
    document = re.sub(r"\ntext_fr = [^\n]*", "", version.document, count=1)
    ProtocolVersion.objects.create(
        study=study,
        number=2,
        document=document,
        sha256=protocol_hash(document),
        added_at=version.added_at,
    )
    assert languages_of(ana) == ("en",)


class Texts(HTMLParser):
    """The texts of a page that a person reads or hears, apart from what is marked as another language."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self._open: list[bool] = []

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        told = dict(attributes)
        if tag not in ("meta", "link", "input", "br", "img", "progress"):
            self._open.append(tag in ("script", "style") or (tag != "html" and "lang" in told))
        self.found += [
            str(told[name])
            for name in ("aria-label", "title", "placeholder", "alt")
            if told.get(name)
        ]

    def handle_endtag(self, tag: str) -> None:
        if self._open:
            self._open.pop()

    def handle_data(self, data: str) -> None:
        if data.strip() and not any(self._open):
            self.found.append(" ".join(data.split()))


OWN = re.compile(  # names, numbers, units and the volunteer's own words
    r"Harbour Story|– Studylab|Studylab|911|\+1 902 555 0143|1\.0, 12 Jan 2026|la pompe bleue|deux bouffées|"
    r"Toux à 8 ans|\bcm\b|\bkg\b|\d+(,\d+)?|[–.;:,\u00a0 ]"
)


@pytest.mark.django_db
def test_no_page_mixes_languages(
    ana: Participant, made: Any, version: str, all_screens: tuple[Screen, ...],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """With every French text put into brackets, nothing but names and the volunteer's words is left outside."""
    _bracket(monkeypatch)
    phone, seen = Phone("fr-CA,fr;q=0.9,en;q=0.5"), []

    def look(answer: Any) -> None:
        seen.append((answer.request["PATH_INFO"], text_of(answer)))

    look(phone.get(reverse("link_door")))
    look(phone.open("wrong"))
    phone.open(made.token)
    look(phone.get(reverse("self_report_agreement")))
    look(phone.agree("another"))
    phone.agree(version)
    pump = {
        "name": "la pompe bleue",
        "dose": "deux bouffées",
        "route": "inhaled",
        "prescribed": "yes",
    }
    for screen in all_screens:
        page = reverse("self_report_screen", args=[screen.number])
        look(phone.get(page))
        empty = cards([]) if screen.kind == "medicines" else {}
        look(phone.answer(screen.number, empty))
        wrong = {row.id: "perhaps" for row in screen.rows} | {
            "height_cm": "tall",
            **cards([{"dose": "2"}]),
        }
        look(phone.answer(screen.number, wrong))
        data = (
            quiet(screen, C_01="yes", **{"C-01-detail": "Toux à 8 ans"})
            if screen.number == 1
            else quiet(screen)
        )
        if screen.kind == "medicines":
            data = cards([pump])
        phone.answer(screen.number, data)
    look(phone.get(reverse("self_report_review")))
    look(phone.get(reverse("self_report_screen", args=[1])))
    look(phone.get(reverse("self_report_later")))
    look(phone.get("/my/questions/99/"))
    look(phone.get("/my/no/such/page/"))
    other = Phone("fr")
    look(other.open(made.token))
    look(other.open(made.token, year="x", month="", day="40"))
    look(other.open(made.token, **{**BORN, "day": 5}))
    look(other.send(reverse("link_leave")))
    phone.send(reverse("self_report_review"))
    look(phone.get(reverse("self_report_sent")))
    assert len(seen) > 40
    for address, page in seen:
        assert '<html lang="fr-ca">' in page, address
        parser = Texts()
        parser.feed(page)
        left = " ".join(parser.found)
        while (inner := re.sub(r"⟦[^⟦⟧]*⟧", "", left)) != left:
            left = inner
        assert OWN.sub("", left) == "", (address, left)


def _bracket(monkeypatch: pytest.MonkeyPatch) -> None:
    """Put every text that French has words for into brackets; what comes through untranslated stays bare."""
    french = trans_real.translation("fr-ca")
    for catalog in french._catalog._catalogs:
        for key, value in list(catalog.items()):
            if key and value:
                monkeypatch.setitem(catalog, key, f"⟦{value}⟧")
    say = Words.say
    monkeypatch.setattr(Words, "say", lambda self, text: f"⟦{say(self, text)}⟧" if text else "")
    assert translation.get_language() == "en"


@pytest.mark.django_db
def test_the_volunteer_chooses_the_language_on_the_page(ana: Participant, phone: Phone) -> None:
    page = reverse("self_report_agreement")
    assert "Before we ask about your health" in text_of(phone.get(page))
    answer = phone.send(reverse("link_language"), {"language": "fr-ca", "next": page})
    assert answer["Location"] == page
    assert "Avant de vous poser des questions sur votre santé" in text_of(phone.get(page))
    ana.refresh_from_db()
    assert ana.language == "fr-ca"
    for language, target in (("de", page), ("en", "https://elsewhere.example/")):
        answer = phone.send(reverse("link_language"), {"language": language, "next": target})
        assert answer["Location"] in (page, reverse("link_door"))
