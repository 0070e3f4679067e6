"""The page about threats points to tests that exist."""

import ast
import re
from pathlib import Path

TOP = Path(__file__).parents[1]
PAGE = (TOP / "deploy" / "THREATS.md").read_text(encoding="utf-8")


def test_every_test_it_names_exists() -> None:
    named = re.findall(r"`(tests/[\w/]+\.py)(?:::(\w+))?`", PAGE)
    assert len(named) > 40
    for file, name in named:
        tree = ast.parse((TOP / file).read_text(encoding="utf-8"))
        found = {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
        assert not name or name in found, f"{file}::{name}"


def test_every_line_of_its_tables_names_one_and_every_part_says_what_remains() -> None:
    rows = [line for line in PAGE.splitlines() if line.startswith("| ") and "---" not in line]
    bare = [row for row in rows if "`tests/" not in row and "| test |" not in row]
    assert not bare
    parts = PAGE.split("\n## ")[2:]
    lasting = [part.splitlines()[0] for part in parts if "**Remains:**" not in part]
    assert lasting == ["Loss"]
