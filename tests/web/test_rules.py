"""The pages of the rules without a browser: what is shown, who may what, what is refused."""

from collections.abc import Callable, Iterator
from html import unescape
from pathlib import Path
from re import DOTALL, findall, sub

import pytest
from playwright.sync_api import Page
from service.laboratory import eventually

from verifier.language import check
from verifier.service import ruleshelf
from verifier.store.rulerows import RuleTexts
from web.house import PASSWORD, House, critical, open_house
from web.visits import Visitor

ELECTROLYTES = "tests/electrolytes.rules"
Visit = Callable[[str], Visitor]


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with open_house(tmp_path, versions=True) as opened:
        yield opened


def texts(house: House, number: int) -> RuleTexts:
    return house.store.read(lambda reader: ruleshelf.texts(reader, number))


def draft(house: House, visitor: Visitor) -> str:
    answer = visitor.post("/rules/drafts", base=1, note="potassium, SOP-CHEM-014 v8")
    assert answer.headers["location"] == "/rules/version/2"
    return house.store.read(lambda reader: ruleshelf.known(reader, 2)).hash


def test_the_active_set_reads_in_sentences_and_tables(house: House, visit: Visit) -> None:
    tove = visit("technologist")
    page = tove.get("/rules").text
    assert "Active rules: version 1" in page
    assert house.line.judge.program.identity in page
    for name in texts(house, 1).files:
        assert tove.get(f"/rules/file?name={name}").status_code == 200
    limits = tove.get(f"/rules/file?name={ELECTROLYTES}").text
    assert "<td>below 2.8 mmol/L, above 6.2 mmol/L</td>" in limits
    assert "Kost, JAMA 1990;263:704" in limits
    rule = tove.get("/rules/file?name=hemolysis.rules").text
    assert "Holds the result when hemolysis index is at least 1.0 g/L" in rule
    assert '<span class="h-head">rule</span>' in rule
    found = tove.get("/rules?find=hemolysed-potassium").text
    assert "hemolysis.rules#L" in found
    assert "dogs" not in found
    assert "0 statements have" in tove.get("/rules?find=dogs").text
    assert tove.get("/rules/file?name=../../etc/passwd").status_code == 404


def test_every_statement_of_the_shipped_rules_is_shown_whole(house: House, visit: Visit) -> None:
    """What is read on the page is what decides: no line of any file is left out."""
    tove = visit("technologist")
    for name, text in texts(house, 1).files.items():
        page = tove.get(f"/rules/file?name={name}").text
        lines = findall(
            r'<span class="n"[^>]*>\d+</span>(.*?)</span>(?=<span class="l">|</code>)', page, DOTALL
        )
        shown = [unescape(sub(r"<[^>]+>", "", line)) for line in lines]
        assert [line for line in shown if line] == [line for line in text.split("\n") if line]


def test_the_live_check_is_the_checker_of_the_server(house: House, visit: Visit) -> None:
    anders = visit("administrator")
    draft(house, anders)
    files = dict(texts(house, 1).files)
    for old, new in (("above 6.2 ", "above 62 "), ("critical", "crucial"), ("mmol/L", "mmmol/L")):
        text = files[ELECTROLYTES].replace(old, new)
        answer = anders.post("/rules/draft/2/check", file=ELECTROLYTES, text=text)
        found = check(files | {ELECTROLYTES: text}).diagnostics
        assert found
        for item in found:
            place = f'data-file="{item.file}" data-line="{item.line}" data-column="{item.column}"'
            assert place in answer.text, item
        errors = sum(item.severity == "error" for item in found)
        assert f'data-errors="{errors}"' in answer.text
        assert answer.text.count("<li ") == len(found)
    assert texts(house, 2) == texts(house, 1), "a check keeps nothing"


def test_without_a_script_saving_checks_and_nothing_is_lost(house: House, visit: Visit) -> None:
    anders, paula = visit("administrator"), visit("pathologist")
    seen = draft(house, anders)
    before = texts(house, 1).files[ELECTROLYTES]
    broken = before.replace("above 6.2 ", "above 6.2 mg/xx ", 1).replace(
        "\n", "\r\n"
    )  # as forms do
    sent = {"file": ELECTROLYTES, "text": broken, "seen": seen}
    answer = anders.post("/rules/draft/2", **sent)
    assert answer.status_code == 303
    assert texts(house, 2).files[ELECTROLYTES] == broken.replace("\r\n", "\n")
    page = anders.get(answer.headers["location"]).text
    assert "&#39;mg/xx&#39; is not a unit" in page
    assert "1 error: this draft can not be used yet" in page
    late = anders.post("/rules/draft/2", **sent | {"text": before + "# mine\n"})
    assert late.status_code == 409
    assert "was changed meanwhile" in late.text
    assert "# mine" in late.text, "what was typed is still there"
    assert "mg/xx" in texts(house, 2).files[ELECTROLYTES]
    refused = anders.post("/rules/version/2/send")
    assert "Replay it first" in refused.text
    assert paula.post("/rules/draft/2", **sent).status_code == 403
    assert paula.post("/rules/draft/2/check", **sent).status_code == 403


def test_files_come_and_go_and_a_name_stays_inside(house: House, visit: Visit) -> None:
    anders = visit("administrator")
    seen = draft(house, anders)
    new = {"file": "mine.rules", "text": "# ours\n", "seen": seen}
    assert anders.post("/rules/draft/2", **new).status_code == 303
    assert texts(house, 2).files["mine.rules"] == "# ours\n"
    seen = house.store.read(lambda reader: ruleshelf.known(reader, 2)).hash
    assert anders.post("/rules/draft/2", **new | {"text": " \r\n", "seen": seen}).status_code == 303
    assert texts(house, 2) == texts(house, 1)
    for name in ("../up.rules", "/etc/x.rules", "plain.txt"):
        answer = anders.post("/rules/draft/2", file=name, text="# x", seen=seen)
        assert answer.status_code == 409, name
        assert "can not be the name of a rule file" in answer.text


def test_who_may_what(house: House, visit: Visit) -> None:
    anders, paula, tove = visit("administrator"), visit("pathologist"), visit("technologist")
    draft(house, anders)
    writes = ("/rules/drafts", "/rules/version/2/send", "/rules/version/2/scenarios")
    acts = ("/rules/version/2/approve", "/rules/version/2/activate", "/rules/version/2/replay")
    acts += ("/rules/withdraw", "/rules/roll-back")
    form = {
        "base": 1,
        "note": "x",
        "hash": "x",
        "replayed": "x",
        "because": "x",
        "at": "",
        "days": 0,
    }
    for path in writes + acts:
        assert tove.post(path, **form).status_code == 403, path
    for path in writes:
        assert paula.post(path, **form).status_code == 403, path
    for visitor in (anders, paula, tove):
        for path in ("/rules", "/rules/versions", "/rules/version/2", "/rules/compare?old=1&new=2"):
            assert visitor.get(path).status_code == 200
    assert tove.get("/rules/draft/2").status_code == 403
    assert "Begin a draft" not in paula.get("/rules/versions").text
    for path, why in (
        ("/rules/version/2/approve", "wrong"),
        ("/rules/version/2/activate", "wrong"),
        ("/rules/withdraw", "wrong"),
        ("/rules/roll-back", "wrong"),
    ):
        answer = paula.post(path, **form | {"password": "not this password"})
        assert answer.status_code == 409, path
        assert why in answer.text
    assert anders.get("/rules/version/99").status_code == 404
    assert anders.get("/rules/draft/99").status_code == 409


def test_an_activation_is_ordered_for_later_and_withdrawn(house: House, visit: Visit) -> None:
    anders, paula = visit("administrator"), visit("pathologist")
    house.take(critical("S-1"))
    draft(house, anders)
    anders.post("/rules/version/2/replay", days=7)
    eventually(lambda: 'data-running="no"' in anders.get("/rules/version/2/work").text, 120)
    assert anders.post("/rules/version/2/send").status_code == 303
    for visitor in (anders, paula):
        page = visitor.get("/rules/version/2").text
        hidden = {
            name: findall(rf'name="{name}" value="(\w+)"', page)[0] for name in ("hash", "replayed")
        }
        signed = hidden | {"password": PASSWORD, "note": "seen"}
        late = visitor.post("/rules/version/2/approve", **signed | {"replayed": "0" * 64})
        assert "is not the one you saw" in late.text
        assert visitor.post("/rules/version/2/approve", **signed).status_code == 303
        assert "another person must" in visitor.post("/rules/version/2/approve", **signed).text
    ordered = {"password": PASSWORD, "at": "2099-01-01T06:00"}
    assert (
        "is past" in paula.post("/rules/version/2/activate", **ordered | {"at": "2020-01-01"}).text
    )
    assert (
        "Write the time" in paula.post("/rules/version/2/activate", **ordered | {"at": "soon"}).text
    )
    assert paula.post("/rules/version/2/activate", **ordered).status_code == 303
    assert "approved, not due yet" in anders.get("/rules/version/2").text
    assert "2099-01-01 06:00:00 UTC" in anders.get("/rules/versions").text
    assert anders.post("/rules/withdraw", password=PASSWORD).status_code == 303
    assert "<b>withdrawn</b>" in anders.get("/rules/versions").text
    acts = [(entry.who, entry.what) for entry in house.store.read(lambda r: r.audit_of("rules:2"))]
    for act in (
        ("Anders", "drafted rules"),
        ("Anders", "asked for a replay of rules"),
        ("Anders", "checked rules"),
        ("Anders", "approved rules"),
        ("Paula", "approved rules"),
        ("Paula", "ordered the activation of rules"),
        ("Anders", "withdrew the activation of rules"),
    ):
        assert act in acts


@pytest.mark.parametrize("width", [390, 720])  # a phone; and 1440 at 200 %, WCAG 2.2, 1.4.10
def test_every_page_of_the_rules_fits_a_narrow_window(
    house: House, visit: Visit, open_page: Callable[..., Page], width: int
) -> None:
    draft(house, visit("administrator"))
    page = open_page("administrator", width, "dark" if width == 390 else "light")
    for path in (
        "/rules",
        "/rules?find=potassium",
        "/rules/file?name=hemolysis.rules",
        f"/rules/file?name={ELECTROLYTES}",
        "/rules/versions",
        "/rules/version/2",
        "/rules/compare?old=1&new=2",
        f"/rules/draft/2?file={ELECTROLYTES}",
    ):
        page.goto(path)
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= width, f"{path} is {wide} wide"
        nameless = page.locator("input:not([type=hidden]), select, textarea").evaluate_all(
            "fields => fields.filter(f => !f.labels.length).map(f => f.outerHTML)"
        )
        assert not nameless, path
