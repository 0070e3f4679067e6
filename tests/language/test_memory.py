"""A check that remembers the one before finds and makes what a check from nothing does."""

import re
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from verifier.language import Checked, check
from verifier.language.memory import Memory

RULES = Path(__file__).parent.parent.parent / "rules"
PARTS = ("tests/electrolytes.rules", "tests/patients.rules", "tests/indices.rules")
OWN = """
group salts sodium, potassium, chloride

parameter limit_of_index = 1.0 g/L
  from "here"

derive gap "Gap"
  from "here"
  unit mmol/L
  let anions = chloride + bicarbonate
  formula sodium - anions
  decimals 0

rule critical for every test
  from "here"
  hold when result is critical
  because "{test} {result} is critical"

rule hemolyzed for potassium
  from "here"
  hold when hemolysis >= limit_of_index and potassium > 4.0 mmol/L
  when unknown hold
  because "hemolysis {hemolysis}"
  ask for new specimen

rule hemolyzed-much for potassium
  from "here"
  hold when hemolysis >= 5 g/L and potassium > 4.5 mmol/L
  when unknown hold
  because "hemolysis {hemolysis}"
  ask for new specimen

rule moved for sodium, potassium
  from "here"
  hold when change(result within 3 days) > 8 mmol/L or result is outside reference
  except when newborn ("newborn")
  when unknown ignore
  because "{test} moved"

rule gap for salts
  from "here"
  hold when gap is between 3 and 20 mmol/L and not (sodium < 120 mmol/L)
  wait up to 20 minutes for sodium, chloride, bicarbonate
  when unknown ignore
  because "gap {gap}"

scenario "critical"
  given woman of 40 years, potassium 6.9 mmol/L, hemolysis 0.1 g/L
  expect potassium held by critical

guarantee "no critical result leaves"
  never release when result is critical
"""
FILES = {name: (RULES / name).read_text(encoding="utf-8") for name in PARTS} | {"own.rules": OWN}
FOREIGN = ("rule x for sodium", "  hold when potassium > 6.0", "# a remark", '  from "here"', "x")

places = st.integers(0, 10_000)
edits = st.tuples(
    st.sampled_from(sorted(FILES)),
    st.sampled_from(
        ["drop", "double", "swap", "number", "letter", "put", "carry", "sign", "rename", "brace"]
    ),
    places,
    places,
)


def edited(files: dict[str, str], name: str, what: str, where: int, other: int) -> dict[str, str]:
    """One slip of the pen, or one deliberate change, at a place that any number names."""
    lines = files[name].split("\n")
    at, to = where % len(lines), other % len(lines)
    line = lines[at]
    match what:
        case "drop":
            del lines[at]
        case "double":
            lines.insert(to, line)
        case "swap":
            lines[at], lines[to] = lines[to], line
        case "number":
            lines[at] = re.sub(
                r"\d+", lambda found: str(int(found[0]) + 1 + other % 9), line, count=1
            )
        case "letter":
            lines[at] = line[: other % (len(line) + 1)] + line[other % (len(line) + 1) + 1 :]
        case "put":
            lines.insert(at, FOREIGN[other % len(FOREIGN)])
        case "sign":
            lines[at] = line.replace(">=", "<", 1) if ">=" in line else line.replace("and", "or", 1)
        case "rename":  # one name, in all of the file or on this line only
            names = re.findall(r"[A-Za-z][A-Za-z0-9_]{3,}", line)
            if names:
                old, here = names[other % len(names)], [at] if other % 2 else range(len(lines))
                for number in here:
                    lines[number] = re.sub(rf"\b{old}\b", f"{old}_2", lines[number])
        case "brace":  # as whoever has typed one of two
            signs = [n for n, sign in enumerate(line) if sign in '"{}(),']
            if signs:
                cut = signs[other % len(signs)]
                lines[at] = line[:cut] + line[cut + 1 :]
        case "carry":
            further = sorted(files)[other % len(files)]
            taken = "\n".join(lines[at : at + 8])
            del lines[at : at + 8]
            files = files | {further: files[further] + "\n" + taken}
            if further == name:
                return files
    return files | {name: "\n".join(lines)}


def told(checked: Checked) -> tuple[object, ...]:
    program = checked.program
    if program is None:
        return checked.diagnostics, None
    every = program.catalogue.tests
    return (
        checked.diagnostics,
        program.identity,
        program.statements,  # every part of them with its place
        program.rules,
        program.tables.rows,
        program.tables.changes.keys(),
        program.scenarios,
        [(each.name, each.tests, each.place) for each in program.guarantees],
        {name: [rule.name for rule in program.rules_of(name)] for name in ["", *sorted(every)]},
        program.needs_preceding,
        program.longest_window,
    )


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(edits, min_size=1, max_size=6))
def test_any_edits_are_told_as_from_nothing(steps: list[tuple[str, str, int, int]]) -> None:
    memory, files = Memory(), dict(FILES)
    assert check(files, memory=memory).program is not None
    for step in steps:
        before, files = files, edited(files, *step)
        assert told(check(files, memory=memory)) == told(check(files))
        if step[2] % 3 == 0:  # as somebody who takes the edit back
            files = before
            assert told(check(files, memory=memory)) == told(check(files))


def test_what_is_remembered_is_not_read_again_and_stands_where_it_is_now() -> None:
    memory = Memory()
    first = check(FILES, memory=memory).program
    moved = FILES | {"own.rules": "# one more line\n" + OWN}
    second = check(moved, memory=memory).program
    assert first
    assert second
    same = [a for a, b in zip(first.statements, second.statements, strict=True) if a == b]
    assert 0 < len(same) < len(first.statements)
    assert told(check(moved)) == told(check(moved, memory=memory))


def test_another_site_is_another_world() -> None:
    """What was answered with one value of a parameter does not count with another."""
    rule = """
parameter site_limit = 1.0 g/L
  from "here"
rule never for sodium
  from "here"
  hold when hemolysis > site_limit and hemolysis < 1.0 g/L
  when unknown ignore
  because "between"
"""
    files, memory = FILES | {"never.rules": rule}, Memory()
    codes = []
    for most in ("1.0 g/L", "0.5 g/L", "1.0 g/L"):
        found = check(files, {"site_limit": most}, memory=memory).diagnostics
        assert found == check(files, {"site_limit": most}).diagnostics
        codes.append([item.code for item in found if item.file == "never.rules"])
    assert codes == [["R406"], [], ["R406"]]


def test_edits_of_the_shipped_rules_are_told_as_from_nothing() -> None:
    paths = sorted(RULES.rglob("*.rules"))
    files = {str(path.relative_to(RULES)): path.read_text(encoding="utf-8") for path in paths}
    memory = Memory()
    check(files, memory=memory)
    for name, old, new in (
        ("tests/electrolytes.rules", "above 6.2 ", "above 6.0 "),
        ("tests/electrolytes.rules", "1.0 to 10.0", "1.0 to 6.1"),  # what can be measured
        ("consistency.rules", "rule ", "# a remark\nrule "),
    ):
        files[name] = files[name].replace(old, new, 1)
        assert told(check(files, memory=memory)) == told(check(files))
