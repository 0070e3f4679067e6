"""A check that remembers the one before finds and makes what a check from nothing does."""

import re
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from verifier.language import Checked, check
from verifier.language.memory import Memory

RULES = Path(__file__).parent.parent.parent / "rules"
PARTS = ("general.rules", "hemolysis.rules", "mixup.rules", "tests/electrolytes.rules")
PARTS += ("tests/patients.rules", "tests/indices.rules")
FILES = {name: (RULES / name).read_text(encoding="utf-8") for name in PARTS}
FOREIGN = ("rule x for sodium", "  hold when potassium > 6.0", "# a remark", '  from "here"', "x")

places = st.integers(0, 10_000)
edits = st.tuples(
    st.sampled_from(sorted(FILES)),
    st.sampled_from(["drop", "double", "swap", "number", "letter", "put", "carry", "sign"]),
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
    return (
        checked.diagnostics,
        program.identity,
        program.statements,  # every part of them with its place
        program.rules,
        program.tables.rows,
        program.scenarios,
        program.needs_preceding,
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
    moved = FILES | {"mixup.rules": "# one more line\n" + FILES["mixup.rules"]}
    second = check(moved, memory=memory).program
    assert first
    assert second
    same = [a for a, b in zip(first.statements, second.statements, strict=True) if a == b]
    assert 0 < len(same) < len(first.statements)
    assert told(check(moved)) == told(check(moved, memory=memory))


def test_another_site_is_another_world() -> None:
    """What was answered with one value of a parameter does not count with another."""
    rule = """
parameter most = 1.0 g/L
  from "here"
rule never for sodium
  from "here"
  hold when hemolysis > most and hemolysis < 1.0 g/L
  when unknown ignore
  because "between"
"""
    files, memory = FILES | {"never.rules": rule}, Memory()
    codes = []
    for most in ("1.0 g/L", "0.5 g/L", "1.0 g/L"):
        found = check(files, {"most": most}, memory=memory).diagnostics
        assert found == check(files, {"most": most}).diagnostics
        codes.append([item.code for item in found if item.file == "never.rules"])
    assert codes == [["R406"], [], ["R406"]]
