"""The pages of controls in a real browser: states, charts, corrective action, review, figures."""

import csv
import io
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from xml.etree import ElementTree

import pytest
from msgspec.structs import replace
from playwright.sync_api import Page, expect
from pypdf import PdfReader

from verifier.service import qualityacts
from verifier.store.ids import new_id
from verifier.store.qualityrows import ControlLevel
from verifier.store.rows import Person
from verifier.web.controlchart import BOTTOM, HEIGHT, LEFT, RIGHT, TOP, WIDTH, Mark, chart
from web.house import PASSWORD, House, free
from web.visits import Visitor

LEVEL = ControlLevel(
    4711, "sodium", "", "Serum", "A1", "high", "QC-H", "mmol/L", Decimal(150), Decimal(2),
    datetime(2026, 1, 1, tzinfo=UTC), datetime(2099, 1, 1, tzinfo=UTC),
)  # fmt: skip
TOVE = Person("Tove", "technologist", False, 0, None, LEVEL.added)


def define(house: House, level: ControlLevel = LEVEL) -> None:
    controls, now = house.line.controls, house.time()
    house.store.write(
        lambda tx: (
            tx.take_back_control_state("sodium"),
            qualityacts.define_levels(tx, controls, "Tove", [level], now),
        )
    )


def control(house: House, value: str, tube: str = "QC-H-1", analyzer: str = "AN-1") -> None:
    at = house.time().strftime("%Y%m%d%H%M%S.%f")[:-2] + "+0000"
    segments = [
        f"MSH|^~\\&|ANALYZER|LAB|VERIFIER|LAB|{at}||OUL^R22^OUL_R22|C{new_id()}|P|2.5.1",
        f"SPM|1|{tube}||SER^Serum^HL70487|||||||Q^Control^HL70369",
        f"OBR|1||{tube}|NA^Sodium^L",
        f"OBX|1|NM|2951-2^Sodium^LN||{value}|mmol/L|||||F|||||||{analyzer}|{at}",
    ]
    house.take(("\r".join(segments) + "\r").encode())


def failed(house: House) -> None:
    define(house)
    control(house, "150.4")
    house.take(free("S-1"))
    control(house, "157")


def test_a_failed_control_is_shown_reviewed_and_mended(
    house: House, open_page: Callable[..., Page]
) -> None:
    failed(house)
    page = open_page("technologist")
    page.goto("/controls")
    page.get_by_role("link", name="Control results").click()
    row = page.locator("#standings tr", has_text="AN-1")
    expect(row).to_contain_text("✕ out of control")
    expect(row).to_contain_text("a control failed (Serum high: 1-3s)")
    house.take(free("S-2"))
    assert [r.test for r in house.store.read(lambda r: r.queue())[0].results] == ["sodium"]

    listed = page.locator("#reviews")
    expect(listed).to_contain_text("S-1")
    expect(listed).to_contain_text("has left")
    listed.get_by_role("checkbox").check()
    listed.get_by_label("What you found").fill("repeated, 139 again")
    listed.get_by_label("Your password").fill(PASSWORD)
    listed.get_by_role("button").click()
    expect(page.locator("#reviews")).to_have_count(0)

    page.get_by_label("Test and analyzer").select_option("sodium|AN-1")
    page.get_by_label("What was found and done").fill("bubble in the line; primed")
    page.get_by_label("Your password").fill(PASSWORD)
    page.get_by_role("button", name="Record corrective action").click()
    expect(row).to_contain_text("after the corrective action not every level has been accepted")
    expect(page.locator("#actions")).to_contain_text("bubble in the line; primed")
    page.get_by_text("Control rules in use").click()
    expect(page.locator("#rules")).to_contain_text("A value exactly on a limit is not beyond it")
    control(house, "150.2")
    page.reload()
    expect(row).to_contain_text("✓ in control")
    house.take(free("S-3"))
    assert len(house.outgoing("S-3")) == 1
    trail = house.store.read(lambda reader: reader.audit_of("control:sodium"))
    told = [(entry.who, entry.what) for entry in trail]
    assert ("verifier", "a control failed") in told
    assert ("Tove", "recorded a corrective action") in told


def test_the_chart_of_a_level_marks_violations(
    house: House, open_page: Callable[..., Page]
) -> None:
    failed(house)
    page = open_page("pathologist")
    page.goto("/quality")
    row = page.locator("#standings tr", has_text="AN-1")
    row.get_by_role("link", name="Serum high").click()
    drawing = page.locator("svg.chart")
    expect(drawing).to_have_attribute("aria-label", "Serum high lot A1: 2 measurements, 1 rejected")
    expect(drawing.locator(".v-accepted")).to_have_count(1)
    expect(drawing.locator(".v-rejected text")).to_have_text("1-3s")
    expect(page.get_by_role("row", name="rejected")).to_contain_text("157 mmol/L")
    page.get_by_role("link", name="own figures").click()
    expect(page.get_by_text("There are too few values")).to_be_visible()
    page.emulate_media(media="print")
    expect(page.locator(".top")).to_be_hidden()
    expect(drawing).to_be_visible()
    page.emulate_media(media="screen")
    define(house, replace(LEVEL, id=new_id(), level="low", mark="QC-L", mean=Decimal(130)))
    control(house, "131", tube="QC-L-1")
    page.goto("/quality")
    row.get_by_role("link", name="all", exact=True).click()
    expect(page.locator("svg.chart")).to_have_count(2)
    expect(page.locator("svg.chart .v-rejected text")).to_have_text("1-3s")
    expect(page.get_by_role("heading", name="Serum low")).to_contain_text("130 ± 2 mmol/L")


def test_own_figures_are_chosen_with_the_password(
    house: House, open_page: Callable[..., Page]
) -> None:
    define(house)
    for value in ("150", "151", "152"):
        control(house, value)
    page = open_page("technologist")
    page.goto(f"/quality/level/{LEVEL.id}")
    page.locator("select[name=chosen]").select_option("own")
    page.get_by_label("Own figures since").fill("2026-01-01")
    form = page.locator("form", has_text="What it is judged by")
    form.get_by_label("Your password").fill(PASSWORD)
    form.get_by_role("button").click()
    expect(page.locator(".pairs")).to_contain_text("own figures")
    expect(page.locator(".pairs")).to_contain_text("151.0 ± 1.0")
    level = house.store.read(lambda reader: reader.control_levels())[0]
    assert level.basis == "own"


def test_levels_are_defined_on_the_page_one_like_another(
    house: House, open_page: Callable[..., Page]
) -> None:
    page = open_page("technologist")
    page.goto("/quality")
    page.get_by_role("link", name="Levels and lots").click()
    form = page.locator("#define")

    def fill(**words: str) -> None:
        for label, text in words.items():
            form.get_by_label(label.replace("_", " "), exact=True).fill(text)
        form.get_by_label("Your password").fill(PASSWORD)
        form.get_by_role("button").click()

    form.locator("select[name=test]").select_option("sodium")
    fill(Material="Serum", Lot="A1", Level="high", Specimen_id_begins="QC-H", Mean="150", SD="-2")
    expect(page.get_by_role("alert")).to_contain_text("sd must be above 0")
    expect(form.get_by_label("Lot", exact=True)).to_have_value("A1")
    fill(SD="2", Expires="2099-01-31")
    row = page.locator("#levels tr", has_text="Serum high")
    expect(row).to_contain_text("150 ± 2 mmol/L")
    expect(row).to_contain_text("2099-01-31")
    expect(form.get_by_label("Expires", exact=True)).to_have_value("2099-01-31")
    form.locator("select[name=basis]").select_option("own")
    fill(Level="low", Mean="130", SD="2", Own_figures_since="2026-01-01")
    expect(page.locator("#levels tr", has_text="Serum low")).to_contain_text("own figures")
    fill(Level="low", Mean="130", SD="2")
    expect(page.get_by_role("alert")).to_contain_text("is defined for sodium already")
    known = house.store.read(lambda reader: reader.control_levels())
    assert [(e.name, e.lot, e.mark, e.basis) for e in known] == [
        ("Serum high", "A1", "QC-H", "insert"), ("Serum low", "A1", "", "own"),
    ]  # fmt: skip
    page.goto("/quality")
    expect(page.locator("#standings tr", has_text="Sodium")).to_contain_text("! overdue")
    expect(page.locator("#undefined")).to_contain_text("No control defined for")


def test_a_value_is_left_out_with_a_reason(
    house: House, open_page: Callable[..., Page], visit: Callable[[str], Visitor]
) -> None:
    failed(house)
    page = open_page("technologist")
    expect(page.locator("[data-count=to_look_into]")).to_have_text("1")
    page.goto(f"/quality/level/{LEVEL.id}")
    page.locator("#values tr", has_text="157").get_by_role("radio").check()
    page.get_by_label("Why the chosen value").fill("<i>the wrong vial")
    form = page.locator("form", has=page.locator("#values"))
    form.get_by_label("Your password").fill(PASSWORD)
    form.get_by_role("button").click()
    row = page.locator("#values tr", has_text="157")
    expect(row).to_contain_text("left out by Tove")
    expect(row).to_contain_text("<i>the wrong vial")
    expect(page.locator("svg.chart .v-left-out")).to_have_count(1)
    (row_of,) = house.store.read(lambda reader: reader.standings())[1:]
    assert row_of.state == "out of control", "the failure stands"
    person = visit("administrator")
    text = person.get(f"/quality/level/{LEVEL.id}/values.csv").text
    good, out = csv.DictReader(io.StringIO(text))
    assert (good["value"], good["verdict"], good["left_out"]) == ("150.4", "accepted", "")
    assert (out["value"], out["rules"], out["left_out_why"]) == (
        "157", "1-3s 1-2s", "<i>the wrong vial",
    )  # fmt: skip
    month = house.time().strftime("%Y-%m")
    (told,) = csv.DictReader(io.StringIO(person.get(f"/quality/month.csv?month={month}").text))
    assert (told["n"], told["rejected"], told["left_out"]) == ("1", "0", "1")


def test_a_state_is_recorded_for_one_analyzer_on_the_page(
    house: House, open_page: Callable[..., Page], visit: Callable[[str], Visitor]
) -> None:
    house.take(free("S-1"))
    page = open_page("technologist")
    page.goto("/controls")

    def record(state: str, analyzer: str = "") -> None:
        if analyzer:
            page.get_by_label("Analyzer").select_option(analyzer)
        page.get_by_label("State").select_option(state)
        page.get_by_label("Your password").fill(PASSWORD)
        page.get_by_role("button", name="Sign for the chosen tests").click()

    page.get_by_role("checkbox", name="Sodium").check()
    record("out of control", "AN-1")
    row = page.get_by_role("row", name="Sodium on AN-1")
    expect(row).to_contain_text("✕ out of control")
    house.take(free("S-2"))
    assert [r.test for r in house.store.read(lambda r: r.queue())[0].results] == ["sodium"]
    row.get_by_role("checkbox").check()
    record("controls")
    expect(page.get_by_role("row", name="Sodium on AN-1")).to_have_count(0)
    house.take(free("S-3"))
    assert len(house.outgoing("S-3")) == 1
    answer = visit("technologist").post(
        "/controls", tests="sodium", analyzer="AN-l", state="in control", password=PASSWORD
    )
    assert answer.status_code == 409
    assert "No analyzer is called AN-l" in answer.text


def test_what_could_not_be_judged_is_shown(house: House, visit: Callable[[str], Visitor]) -> None:
    define(house)
    control(house, "150", tube="<b>WHO</b>")
    text = visit("technologist").get("/quality").text
    assert "No control level of sodium is marked with the start" in text
    assert "<b>WHO" not in text
    assert "&lt;b&gt;WHO" in text


def test_a_control_nobody_could_judge_is_a_state_a_mark_and_a_line_to_settle(
    house: House, open_page: Callable[..., Page]
) -> None:
    define(house)
    control(house, "150.4")
    control(house, ">199")
    control(house, "9.9", tube="QCH-1")
    page = open_page("technologist")
    page.goto("/quality")
    row = page.locator("#standings tr", has_text="AN-1")
    expect(row).to_contain_text("? control not judged")
    expect(row).to_contain_text("a control could not be judged: Serum high: ")
    row.get_by_role("link", name="Serum high").click()
    drawing = page.locator("svg.chart")
    expect(drawing.locator(".v-not-judged text")).to_have_text(["?", "?"])
    expect(drawing).to_have_attribute(
        "aria-label", "Serum high lot A1: 1 measurements, 0 rejected, 2 not judged"
    )
    unread = page.locator("#values tr", has_text="not judged")
    expect(unread).to_contain_text("no value")
    expect(unread).not_to_contain_text("±")
    page.goto("/quality")
    listed = page.locator("#controls")
    for box in listed.get_by_role("checkbox").all():
        box.check()
    listed.get_by_label("What you found").fill("a calibrator in the wrong rack")
    listed.get_by_label("Your password").fill("not this one")
    listed.get_by_role("button").click()
    expect(page.get_by_role("alert")).to_be_visible()
    expect(listed.get_by_label("What you found")).to_have_value("a calibrator in the wrong rack")
    assert [box.is_checked() for box in listed.get_by_role("checkbox").all()] == [True, True]
    listed.get_by_label("Your password").fill(PASSWORD)
    listed.get_by_role("button").click()
    expect(row).to_contain_text("✓ in control")
    expect(page.locator("#controls")).to_have_count(0)


def test_what_was_typed_survives_a_wrong_password_and_other_roles_are_told_why(
    house: House, open_page: Callable[..., Page], visit: Callable[[str], Visitor]
) -> None:
    failed(house)
    page = open_page("pathologist")
    page.goto("/quality")
    listed = page.locator("#reviews")
    listed.get_by_role("checkbox").check()
    listed.get_by_label("What you found").fill("repeated, the same")
    listed.get_by_label("Your password").fill("not this one")
    listed.get_by_role("button").click()
    expect(page.get_by_role("alert")).to_be_visible()
    expect(listed.get_by_role("checkbox")).to_be_checked()
    expect(listed.get_by_label("What you found")).to_have_value("repeated, the same")
    page.get_by_label("Test and analyzer").select_option("sodium|AN-1")
    page.get_by_label("What was found and done").fill("new electrode")
    page.locator(".panel").get_by_label("Your password").fill("nor this")
    page.get_by_role("button", name="Record corrective action").click()
    expect(page.get_by_role("alert")).to_be_visible()
    expect(page.get_by_label("Test and analyzer")).to_have_value("sodium|AN-1")
    expect(page.get_by_label("What was found and done")).to_have_value("new electrode")
    text = visit("administrator").get("/quality").text
    assert "Technologists and pathologists sign for these lines" in text


def test_a_released_result_under_review_says_so_on_its_own_page(
    house: House, open_page: Callable[..., Page]
) -> None:
    failed(house)
    page = open_page("technologist")
    page.goto(f"/case/{house.case_of('S-1')}")
    line = page.locator(".line", has=page.get_by_role("rowheader", name="Sodium 2951-2"))
    expect(line).to_contain_text("Released")
    expect(line).to_contain_text("Under review: a control failed after it on AN-1")
    expect(page.locator(".verdict")).to_contain_text("1 under review")
    (review,) = house.store.read(lambda reader: reader.open_reviews())
    house.store.write(
        lambda tx: qualityacts.look_into(
            tx, TOVE, "review", [review.id], "repeated, the same", house.time()
        )
    )
    page.reload()
    expect(line).to_contain_text("looked into by Tove")
    expect(line).to_contain_text("repeated, the same")
    told = house.audited("S-1")
    assert ("verifier", "a control failed after it") in told
    assert ("Tove", "looked into a review") in told
    page.goto(f"/case/{house.case_of('S-1')}/trail/0")
    expect(page.locator("main")).to_contain_text("a control failed after it")
    page.goto(f"/case/{house.case_of('S-1')}")
    other = page.locator(".line", has=page.get_by_role("rowheader", name="Potassium 2823-3"))
    expect(other).not_to_contain_text("control failed")


def test_a_level_given_in_another_unit_is_shown_with_readable_numbers(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    """100 ± 4 mg/dL of glucose, 180.156 g/mol: 5.5507 ± 0.2220 mmol/L (C6H12O6)."""
    row = {
        "test": "glucose", "material": "Serum", "lot": "A1", "level": "high", "mark": "QC-H",
        "unit": "mg/dL", "mean": "100", "sd": "4", "expires": "",
    }  # fmt: skip
    person = visit("technologist")
    assert person.post("/quality/levels", password=PASSWORD, **row).status_code == 303
    (level,) = house.store.read(lambda reader: reader.control_levels())
    at = house.time().strftime("%Y%m%d%H%M%S+0000")
    segments = [
        f"MSH|^~\\&|ANALYZER|LAB|VERIFIER|LAB|{at}||OUL^R22^OUL_R22|C1|P|2.5.1",
        "SPM|1|QC-H-1||SER^Serum^HL70487|||||||Q^Control^HL70369",
        "OBR|1||QC-H-1|GLU^Glucose^L",
        f"OBX|1|NM|14749-6^Glucose^LN||5.6|mmol/L|||||F|||||||AN-1|{at}",
    ]
    house.take(("\r".join(segments) + "\r").encode())
    month = house.time().strftime("%Y-%m")
    for path in ("/quality/levels", f"/quality/level/{level.id}",
                 "/quality/charts?test=glucose&analyzer=AN-1"):  # fmt: skip
        answer = person.get(path)
        assert answer.status_code == 200
        assert "5.551 ± 0.222 mmol/L" in answer.text
    assert "5.551 mmol/L" in person.get(f"/quality/month?month={month}").text
    paper = person.get(f"/quality/month.pdf?month={month}").content
    assert "5.551 mmol/L" in PdfReader(io.BytesIO(paper)).pages[0].extract_text().replace("\n", " ")
    assert person.get(f"/quality/month.csv?month={month}").status_code == 200


@pytest.mark.parametrize("width", [390, 1024])
def test_the_pages_of_controls_fit_a_phone_and_begin_with_the_newest(
    house: House, open_page: Callable[..., Page], width: int
) -> None:
    failed(house)
    control(house, "9.9", tube="QCH-1")
    for number in range(30):
        control(house, f"15{number % 3}")
    page = open_page("technologist")
    page.set_viewport_size({"width": width, "height": 800})
    for path in ("/quality", "/quality/levels", "/quality/month", f"/quality/level/{LEVEL.id}"):
        page.goto(path)
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= width, (path, wide)
    newest = page.locator("svg.chart g").last.bounding_box()
    assert newest
    assert 0 <= newest["x"] <= width
    text = page.locator("svg.chart .axis").first
    tall = text.evaluate("e => e.getBoundingClientRect().height")
    assert tall >= 10, "as large as other small print"
    page.emulate_media(media="print")
    expect(page.locator("#values")).to_be_visible()
    expect(page.get_by_label("Your password").first).to_be_hidden()


def test_controls_of_tests_without_levels_stand_apart(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    control(house, "150")
    page = visit("technologist").get("/quality").text
    assert "Controls of tests no level is defined for" in page
    assert 'id="controls"' not in page, "there is nothing to settle"
    define(house)
    assert 'id="controls"' in visit("technologist").get("/quality").text


def test_a_recorded_state_is_taken_back_on_the_page(
    house: House, open_page: Callable[..., Page]
) -> None:
    page = open_page("technologist")
    page.goto("/controls")
    page.get_by_role("checkbox", name="Sodium").check()
    page.get_by_label("State").select_option("controls")
    page.get_by_label("Your password").fill(PASSWORD)
    page.get_by_role("button", name="Sign for the chosen tests").click()
    expect(page.get_by_role("row", name="Sodium")).to_contain_text("not known")
    states = house.store.read(lambda reader: reader.control_states())
    assert "sodium" not in states
    assert states["potassium"] == "in control"


def test_figures_of_a_month_on_the_page_and_as_a_file(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    """150, 151, 152 against 150: mean 151, SD 1, CV 100/151 %, bias 2/3 %; with 190: mean 160.75,
    SD √(1142.75/3) = 19.517, CV 12.141 %, bias 7.167 %; computed by hand."""
    define(house)
    for value in ("150", "151", "152", "190"):
        control(house, value)
    month = house.time().strftime("%Y-%m")
    person = visit("technologist")
    assert "Serum high" in person.get(f"/quality/month?month={month}").text
    answer = person.get(f"/quality/month.csv?month={month}")
    assert answer.headers["content-type"].startswith("text/csv")
    row, every = csv.DictReader(io.StringIO(answer.text))
    assert (row["values"], every["values"], every["n"], every["mean"]) == (
        "accepted", "all", "4", "160.750000",
    )  # fmt: skip
    told = {name: row[name] for name in ("n", "rejected", "mean", "sd", "cv_percent")}
    assert told == {
        "n": "3", "rejected": "1", "mean": "151.000000", "sd": "1.000000", "cv_percent": "0.662252",
    }  # fmt: skip
    assert (row["bias_percent"], row["sigma"]) == ("0.666667", "")
    house.store.write(
        lambda tx: qualityacts.correct(
            tx, house.line.controls, TOVE, "sodium", "AN-1", "new electrode", house.time()
        )
    )
    paper = person.get(f"/quality/month.pdf?month={month}")
    assert paper.headers["content-type"] == "application/pdf"
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(paper.content)).pages]
    words = " ".join(" ".join(pages).split())
    assert f"Controls in {house.time():%B %Y}" in words
    assert "Sodium AN-1 Serum high A1 3 1 0 150 mmol/L 151.0 1.0 0.66 0.67 –" in words
    assert "all values 4 160.8 19.5 12.14 7.17 –" in words
    assert "190 mmol/L, rejected (1-3s, 1-2s)" in words
    assert "Tove: new electrode" in words
    assert "Not a medical device by itself" in words
    none = person.get("/quality/month.pdf?month=2020-01").content
    assert "No control was measured" in PdfReader(io.BytesIO(none)).pages[0].extract_text()
    empty = person.get("/quality/month?month=2020-01").text
    assert "No control was measured in this month" in empty


@pytest.mark.parametrize(
    ("path", "fields"),
    [
        ("/quality/levels", {"test": "sodium", "material": "Serum", "lot": "Z", "level": "mid"}),
        (f"/quality/level/{LEVEL.id}/leave-out", {"number": "1", "why": "x"}),
        ("/quality/action", {"place": "sodium|AN-1", "said": "x"}),
        ("/quality/look-into", {"what": "review", "numbers": "1", "note": "x"}),
        (f"/quality/level/{LEVEL.id}/end", {}),
        (f"/quality/level/{LEVEL.id}/basis", {"chosen": "insert"}),
    ],
)
def test_an_administrator_may_look_and_do_nothing(
    house: House, visit: Callable[[str], Visitor], path: str, fields: dict[str, str]
) -> None:
    failed(house)
    person = visit("administrator")
    page = person.get("/quality").text
    assert "out of control" in page
    assert "Record corrective action" not in page
    assert person.post(path, password=PASSWORD, **fields).status_code == 403
    wrong = visit("technologist").post(path, password="not this one", **fields)
    assert wrong.status_code == 409
    assert house.store.read(lambda r: r.corrective_actions("sodium", "AN-1", LEVEL.added)) == []
    assert house.store.read(lambda r: r.control_levels())[0].ended is None


def test_a_level_is_taken_out_of_use(house: House, visit: Callable[[str], Visitor]) -> None:
    failed(house)
    person = visit("technologist")
    assert person.post(f"/quality/level/{LEVEL.id}/end", password=PASSWORD).status_code == 303
    assert house.store.read(lambda reader: reader.standings()) == []
    assert "Out of use since" in person.get(f"/quality/level/{LEVEL.id}").text
    assert person.get("/quality/level/1").status_code == 404


def mark(z: float, verdict: str = "accepted", **more: object) -> Mark:
    return Mark(datetime(2026, 3, 2, 8, tzinfo=UTC), z, verdict, (), f"z {z}", **more)  # type: ignore[arg-type]


def test_the_drawing_is_to_scale_and_tells_apart_without_color() -> None:
    marks = [mark(0), mark(2.5, "warning"), mark(-3.5, "rejected"), mark(9, "rejected", acted=True)]
    marks[1] = Mark(marks[1].at + timedelta(days=1), 2.5, "warning", ("1-2s",), "<i>")
    svg = ElementTree.fromstring(str(chart(marks, list("abcdefg"), 'a "label"')))
    places = svg.find("polyline")
    assert places is not None
    points = [tuple(map(float, p.split(","))) for p in places.attrib["points"].split()]
    middle = TOP + (HEIGHT - TOP - BOTTOM) / 2
    assert points[0][1] == middle
    one = (HEIGHT - TOP - BOTTOM) / 8
    assert [round((middle - y) / one, 1) for _, y in points] == [0, 2.5, -3.5, 4]
    across = [x for x, _ in points]
    assert all(LEFT < x < WIDTH - RIGHT for x in across)
    assert across[1] - across[0] == pytest.approx(across[3] - across[2])
    shapes = [[child.tag for child in group if child.tag != "title"] for group in svg.iter("g")]
    assert shapes == [["circle"], ["path", "text"], ["path"], ["path", "path"]]
    warned, rejected, beyond = (
        g.findall("path") for g in svg.iter("g") if g.find("path") is not None
    )
    cross = rejected[0].attrib["d"].split("l", 1)[1]
    assert beyond[0].attrib["d"].split("l", 1)[1] == cross, "a rejection beyond is a cross as well"
    assert warned[0].attrib["d"].split("h", 1)[-1] != cross
    assert [path.attrib.get("class") for path in beyond] == [None, "edge"]
    assert len(svg.findall("path[@class='acted']")) == 1


def test_what_could_not_be_judged_is_drawn_without_a_value_at_the_foot() -> None:
    marks = [mark(0), mark(0, "not-judged", foot=True), mark(1), mark(3, "not-judged")]
    svg = ElementTree.fromstring(str(chart(marks, list("abcdefg"), "x")))
    trace = svg.find("polyline")
    assert trace is not None
    assert len(trace.attrib["points"].split()) == 2, "no line leads there"
    foot, above = svg.findall("g[@class='v-not-judged']/text")
    assert (foot.text, float(foot.attrib["y"])) == ("?", HEIGHT - BOTTOM - 4)
    assert float(above.attrib["y"]) < TOP + (HEIGHT - TOP - BOTTOM) / 4


def test_a_level_of_one_analyzer_gates_that_one_only(house: House) -> None:
    define(house, replace(LEVEL, id=new_id(), analyzer="AN-9"))
    house.store.write(lambda tx: tx.set_control_state("sodium", "unknown", "Tove", ""))
    person = Person("Tove", "technologist", False, 0, None, house.time())
    house.store.write(lambda tx: qualityacts.take_back_state(tx, person, "sodium"))
    rows = house.store.read(lambda reader: reader.standings())
    assert [(row.analyzer, row.state) for row in rows] == [("AN-9", "overdue")]
