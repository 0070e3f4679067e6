"""The rooms of the house: who may import whom, and which rooms may not touch the world."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "verifier"

# In the order the data walks; a room imports only rooms above it.
ROOMS = [
    "hl7",
    "facts",
    "language",
    "decide",
    "quality",
    "documents",
    "assurance",
    "store",
    "service",
    "web",
    "demo",
    "bench",
    "commands",
]
PURE = ["hl7", "facts", "language", "decide", "quality", "documents", "assurance"]
EDGES = {
    "errors", "clock", "settings", "rulefiles", "practice", "targets", "texts", "tolerances",
    "transport", "entrance",
}  # fmt: skip
WORLD = {
    "asyncio", "io", "logging", "multiprocessing", "os", "pathlib", "random", "secrets", "select",
    "shutil", "socket", "sqlite3", "subprocess", "sys", "tempfile", "threading", "time", "urllib",
}  # fmt: skip
CLOCKS = {"now", "today", "utcnow"}


def files_of(room: str) -> list[Path]:
    paths = sorted((PACKAGE / room).rglob("*.py"))
    assert paths, f"no files in {room}: this test would look at nothing"
    return paths


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: write the import in full"
            names.add(node.module or "")
    return names


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_imports_only_rooms_above_it(room: str) -> None:
    allowed = set(ROOMS[: ROOMS.index(room) + 1]) | ({"errors"} if room in PURE else EDGES)
    for path in files_of(room):
        rooms = {name.split(".")[1] for name in imported(path) if name.startswith("verifier.")}
        assert rooms <= allowed, f"{path} imports {rooms - allowed}"


@pytest.mark.parametrize("room", PURE)
def test_a_pure_room_touches_nothing_outside(room: str) -> None:
    for path in files_of(room):
        outside = {name.split(".")[0] for name in imported(path)} & WORLD
        assert not outside, f"{path} imports {outside}"


@pytest.mark.parametrize("room", PURE)
def test_a_pure_room_reads_no_clock_and_no_file(room: str) -> None:
    for path in files_of(room):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            if isinstance(node.func, ast.Attribute):
                owner = node.func.value
                on_dates = isinstance(owner, ast.Name) and owner.id in {"datetime", "date"}
                assert not (on_dates and node.func.attr in CLOCKS), f"{path}:{node.lineno}"
            if isinstance(node.func, ast.Name):
                assert node.func.id not in {"open", "print", "input"}, f"{path}:{node.lineno}"


def test_files_stay_small() -> None:
    too_long = {
        str(path.relative_to(PACKAGE)): lines
        for path in PACKAGE.rglob("*.py")
        if (lines := len(path.read_text(encoding="utf-8").splitlines())) > 300
    }
    assert not too_long


def test_only_the_store_speaks_sql() -> None:
    for path in sorted(PACKAGE.rglob("*.py")):
        if path.is_relative_to(PACKAGE / "store"):
            continue
        outside = {name.split(".")[0] for name in imported(path)} & {"sqlalchemy", "alembic"}
        assert not outside, f"{path} imports {outside}"


def test_the_top_level_holds_what_was_agreed() -> None:
    top = PACKAGE.parent
    agreed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "verifier", "rules", "tests"}
    agreed |= {"samples", "deploy", "LICENSE", "requirements.lock"}
    found = {path.name for path in top.iterdir() if not path.name.startswith(".")}
    assert found - {"build", "dist"} <= agreed
