"""Every text of the page is in one catalogue, and a language from the catalogue is spoken."""

import ast
import gettext
import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import pytest
from babel.messages.extract import extract_from_dir
from babel.messages.frontend import parse_mapping_cfg
from babel.messages.pofile import read_po
from jinja2 import Environment, PackageLoader

import verifier.web
from verifier.web import catalogue, words
from verifier.web.catalogue import Tongue, add_catalogue, choose, speaking, tongue_of
from verifier.web.routes.scripts import script_texts
from web.furnished import furnished, pages
from web.house import NAMES, PASSWORD, House
from web.templatewords import TAG, words_outside
from web.visits import sign_in

WEB = Path(verifier.web.__file__).parent
KEYWORDS = dict.fromkeys(("_", "gettext", "say", "mark", "RefusedError")) | {
    "ngettext": (1, 2), "say_count": (1, 2),
}  # fmt: skip

DOCUMENTS = {"replay_sheet.html"}  # written to a file by a command, in the language of the rules


def environment() -> Environment:
    made = Environment(loader=PackageLoader("verifier.web"))
    add_catalogue(made)
    return made


@pytest.mark.parametrize("path", sorted((WEB / "templates").glob("*.html")), ids=lambda p: p.name)
def test_a_template_holds_no_words_of_its_own(path: Path) -> None:
    found = words_outside(environment(), path.read_text(encoding="utf-8"))
    assert path.name in DOCUMENTS or not found


def test_bare_words_are_found_wherever_they_stand() -> None:
    for source, expected in (
        ("<p>Hello {{ name }}</p>", "Hello"),
        ("<input placeholder='x' title=\"Choose one\">", "Choose one"),
        ('<p>{{ "held" if held else _("released") }}</p>', "held"),
        ('{% set words = {"a": "In control"} %}', "In control"),
        ('{{ item("/", "Queue") }}', "Queue"),
    ):
        found = words_outside(environment(), source)
        assert any(expected in text for text in found), source
    plain = (
        "<p class=\"{{ 'big' if big }}\">{{ _('Hello') }} <kbd>Alt</kbd> &middot; {{ name }}</p>"
    )
    assert words_outside(environment(), plain) == []


def test_a_script_says_nothing_of_its_own() -> None:
    for path in sorted((WEB / "static").glob("*.js")):
        source = re.sub(r"//.*", "", path.read_text(encoding="utf-8"))
        bare = re.findall(r'(?<!say\()["`]([A-Z][a-z]+[ .][^"`]*)["`]', source)
        assert not bare, f"{path.name}: {bare}"
    assert "You are signed out. Load the page again to sign in." in script_texts()


SAYING = {"say", "say_count", "mark", "RefusedError", "warning", "exception", "audit", "compile"}
FOR_MACHINES = {"metrics.py", "health.py"}
SENTENCE = re.compile(r"[A-Z][a-z]+ [^<>|]*[a-z][.:]?\s*$")


def test_python_of_the_page_says_nothing_of_its_own() -> None:
    for path in sorted(WEB.rglob("*.py")):
        if path.name in FOR_MACHINES:
            continue
        bare = list(said_outside(ast.parse(path.read_text(encoding="utf-8"))))
        assert not bare, f"{path.name}: {bare}"
    bare = list(said_outside(ast.parse('f"Specimen {key}: held.", say("Held now."), "two"')))
    assert bare == ["Specimen : held."]


def said_outside(node: ast.AST) -> Iterator[str]:
    """Yield what reads like a sentence and is no documentation and not in the catalogue."""
    if isinstance(node, ast.Call) and getattr(node.func, "id", getattr(node.func, "attr", "")) in (
        SAYING
    ):
        return
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return
    if isinstance(node, ast.JoinedStr | ast.Constant):
        parts = node.values if isinstance(node, ast.JoinedStr) else [node]
        text = "".join(str(part.value) for part in parts if isinstance(part, ast.Constant))
        if SENTENCE.match(text):
            yield text
    for part in ast.iter_child_nodes(node):
        if not (isinstance(node, ast.JoinedStr) and isinstance(part, ast.Constant)):
            yield from said_outside(part)


def extracted() -> set[str]:
    with (WEB / "locale" / "babel.cfg").open() as file:
        methods, options = parse_mapping_cfg(file)
    found = set()
    for _, _, text, _, _ in extract_from_dir(
        WEB.parent, methods, options, KEYWORDS, directory_filter=lambda name: True
    ):
        found.add(text if isinstance(text, str) else text[0])
    return found


def test_the_catalogue_lists_every_text() -> None:
    """As CONTRIBUTORS are told to renew it: `pybabel extract`."""
    with (WEB / "locale" / "verifier.pot").open("rb") as file:
        kept = {m.id if isinstance(m.id, str) else m.id[0] for m in read_po(file) if m.id}
    assert kept == extracted(), "renew verifier/web/locale/verifier.pot, see DEVELOPERS.md"


class Pseudo(gettext.NullTranslations):
    """A language made from English: each letter has an accent, so that no reader needs a second
    language to see what was left out."""

    def gettext(self, message: str) -> str:
        return accented(message)

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        return accented(msgid1 if n == 1 else msgid2)


PLAIN, ACCENTED = "aeiouAEIOU", "àéîöûÀÉÎÖÛ"
KEPT = re.compile(r"%\(\w+\)[sd]|%%|<[^>]*>|&\w+;")


def accented(text: str) -> str:
    parts = KEPT.split(text)
    kept = [*KEPT.findall(text), ""]
    table = str.maketrans(PLAIN, ACCENTED)
    return "".join(part.translate(table) + mark for part, mark in zip(parts, kept, strict=True))


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    with furnished(tmp_path_factory.mktemp("words")) as opened:
        yield opened


def test_pages_speak_another_language(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Headings, labels, buttons and columns of every page, as a browser gets them."""
    pseudo = Tongue(catalogue.Locale.parse("de_DE"), Pseudo())
    monkeypatch.setattr("verifier.web.shell.choose", lambda offered, wished: pseudo)
    places, bare = set(pages(house)), []
    for role in ("pathologist", "administrator"):
        with httpx.Client(base_url=house.url, trust_env=False, timeout=60) as client:
            bare += left_in_english("/sign-in", client.get("/sign-in").text)
            sign_in(client, NAMES[role], PASSWORD)
            for path in sorted(places):
                answer = client.get(path)
                if answer.status_code == 200:
                    places.discard(path)
                    bare += left_in_english(path, answer.text)
            kept = re.search(r"TEXTS = (.*);\n", client.get("/words.js").text)
            assert kept
            text = "You are signed out. Load the page again to sign in."
            assert json.loads(kept[1])[text] == accented(text)
    assert not places, "nobody may look at these"
    assert not bare, "\n".join(sorted(set(bare)))


def left_in_english(path: str, page: str) -> list[str]:
    assert '<html lang="de"' in page, path
    main = page[page.index("<main") : page.index("</main>")]
    # Rules are written in the language of their authors: their names head rows there.
    columns = "th" if not path.startswith("/rules") else "button"
    said = rf'<(?:h1|h2|{columns}|dt|button|label)\b(?![^>]*translate="no")[^>]*>([^<{{]*)<'
    words = [text.strip() for text in re.findall(said, main)]
    return [f"{path}: {word}" for word in words if english(word) and word not in DATA]


def english(word: str) -> bool:
    named = re.search(r"[a-z]{3}", word) and any(letter in word for letter in "aeiou")
    return bool(named) and not any(letter in word for letter in ACCENTED)


# What a heading or the first column of a row holds as data: names of tests, rules, people.
DATA = {"Sodium", "Serum high", "tests/electrolytes.rules"}


def test_the_language_wished_for_is_spoken_where_it_is_offered() -> None:
    offered = ("en-GB", "de-DE", "fr-CA")
    for wished, expected in (
        ("", "en_GB"),
        ("de", "de_DE"),
        ("fr-FR, de;q=0.9", "fr_CA"),
        ("sv, de;q=0.5, fr;q=0.8", "fr_CA"),
        ("de;q=0", "en_GB"),
        ("*;q=x", "en_GB"),
    ):
        assert str(choose(offered, wished).locale) == expected, wished


def test_numbers_and_times_are_written_as_the_place_writes_them() -> None:
    """Unicode CLDR: patterns of en-GB, en-US and de-DE."""
    now = datetime(2026, 3, 5, 13, 4, tzinfo=UTC)
    zone = ZoneInfo("Europe/Berlin")
    seen = {}
    for tag in ("en-GB", "en-US", "de-DE"):
        with speaking(tongue_of(tag)):
            seen[tag] = (
                catalogue.number(1234567),
                catalogue.percent(0.875),
                words.moment(now - timedelta(days=1), zone, now),
                words.moment(now - timedelta(days=400), zone, now),
            )
    assert seen["en-GB"] == ("1,234,567", "87.5%", "4 Mar 14:04", "29 Jan 2025 14:04")
    assert seen["en-US"] == ("1,234,567", "87.5%", "Mar 4 14:04", "Jan 29, 2025 14:04")
    assert seen["de-DE"] == ("1.234.567", "87,5\xa0%", "4. März 14:04", "29. Jan. 2025 14:04")
    assert words.moment(now, zone, now) == "14:04"


def test_a_translation_beside_the_catalogue_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "nl.po").write_text(
        'msgid ""\nmsgstr "Content-Type: text/plain; charset=utf-8\\n"\n\n'
        'msgid "Queue"\nmsgstr "Wachtrij"\n',
        encoding="utf-8",
    )
    monkeypatch.setattr(catalogue, "FOLDER", tmp_path)
    tongue_of.cache_clear()
    with speaking(tongue_of("nl-NL")):
        assert catalogue.say("Queue") == "Wachtrij"
        assert catalogue.say("Messages") == "Messages"
    tongue_of.cache_clear()


def test_sizes_and_spans_are_written_in_units_that_suit_them() -> None:
    assert [catalogue.size(n) for n in (0, 1023, 1024, 5 * 1024**3)] == [
        "0 B", "1,023 B", "1.0 KiB", "5.0 GiB",
    ]  # fmt: skip
    spans = [catalogue.seconds(n) for n in (0.2, 40, 750, 11_520, 181_440)]
    assert spans == ["< 1 s", "40 s", "12.5 min", "3.2 h", "2.1 d"]
    assert TAG.sub("", "<b>x</b>") == "x"
