"""Reads a folder of rule files; the language itself never touches a disk."""

from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Literal, TypeAlias

import msgspec

from verifier.assurance.failing import failing
from verifier.errors import RuleSetError
from verifier.language import Checked, Diagnostic, Program, check, render
from verifier.language.formatting import formatted

SUFFIX = ".rules"
Units: TypeAlias = Literal["SI", "conventional"]
_MOST_SHOWN = 3


def read_files(path: Path) -> tuple[dict[str, str], list[Diagnostic]]:
    """Return the text of every rule file below a folder, by path, and the files without text.

    Raises:
        RuleSetError: there is no such folder, or it can not be read.
    """
    if not path.is_dir():
        raise RuleSetError(f"{path}: there is no such folder. A rule set is a folder of *{SUFFIX}.")
    files: dict[str, str] = {}
    unreadable: list[Diagnostic] = []
    try:
        for file in sorted(path.rglob(f"*{SUFFIX}")):
            name = str(file.relative_to(path))
            data = file.read_bytes()
            try:
                files[name] = data.decode("utf-8-sig")
            except UnicodeDecodeError as error:
                unreadable.append(_not_utf8(name, data, error))
    except OSError as error:
        raise RuleSetError(f"{path}: {error.strerror}") from error
    return files, unreadable


def _not_utf8(name: str, data: bytes, error: UnicodeDecodeError) -> Diagnostic:
    line = data.count(b"\n", 0, error.start) + 1
    column = error.start - data.rfind(b"\n", 0, error.start)
    return Diagnostic(
        "R200", name, line, column, column + 1, "error", "this is not UTF-8 text",
        "letters such as µ and é would be misread.", "save the file as UTF-8",
    )  # fmt: skip


def load_folder(
    path: Path, parameters: Mapping[str, str] | None = None, units: Units = "SI"
) -> Checked:
    """Check the rule set in a folder, as this site sets it, and run its scenarios.

    Scenarios say what the rules do as they are written: a scenario that fails only with the numbers
    of this site is a warning.

    Raises:
        RuleSetError: there is no such folder, or it can not be read.
    """
    files, unreadable = read_files(path)
    checked = check_texts(files, parameters, units)
    if unreadable:
        return Checked(None, tuple(sorted((*unreadable, *checked.diagnostics), key=_place)))
    return checked


def check_texts(
    files: Mapping[str, str], parameters: Mapping[str, str] | None = None, units: Units = "SI"
) -> Checked:
    """Check rule files (name to text) as `load_folder` checks a folder, scenarios included."""
    files = without_marks(files)
    checked = check(files, parameters, conventional=units == "conventional")
    if checked.program is None:
        return checked
    told = failing(checked.program, files)
    if told and parameters:
        told = _of_the_site(told, files)
    fails = any(item.severity == "error" for item in told)
    found = tuple(sorted((*checked.diagnostics, *told), key=_place))
    return Checked(None if fails else checked.program, found)


def without_marks(files: Mapping[str, str]) -> dict[str, str]:
    """Return texts without the mark some editors begin a file with; it says nothing."""
    return {name: text.removeprefix("\ufeff") for name, text in files.items()}


def _of_the_site(told: tuple[Diagnostic, ...], files: Mapping[str, str]) -> tuple[Diagnostic, ...]:
    """Return the failing scenarios; those that hold with the numbers of the files as warnings."""
    program = check(files).program
    own = failing(program, files) if program else told
    places = {_place(item) for item in own}
    return tuple(
        item if _place(item) in places else msgspec.structs.replace(item, severity="warning")
        for item in told
    )


def _place(finding: Diagnostic) -> tuple[str, int, int]:
    return finding.file, finding.line, finding.column


def load_program(
    path: Path, parameters: Mapping[str, str] | None = None, units: Units = "SI"
) -> Program:
    """Return the program of the rule set in a folder, with the parameters and units of this site.

    Raises:
        RuleSetError: the folder can not be read, or the rule set has errors.
    """
    checked = load_folder(path, parameters, units)
    return usable(checked, str(path), f"Run: verifier rules check {path}")


def usable(checked: Checked, what: str, remedy: str) -> Program:
    """Return the program of a checked rule set; `what` and `remedy` are for the sentence if none.

    Raises:
        RuleSetError: it has errors; the first of them are named.
    """
    if checked.program is not None:
        return checked.program
    errors = [item for item in checked.diagnostics if item.severity == "error"]
    shown = "\n".join(f"  {item.file}:{item.line} {item.message}" for item in errors[:_MOST_SHOWN])
    count = f"{len(errors)} error{'s' * (len(errors) != 1)}"
    raise RuleSetError(f"{what}: the rule set has {count}:\n{shown}\n{remedy}")


def laid_out(path: Path) -> tuple[dict[str, str], list[str]]:
    """Return the new text of the files whose layout is not canonical, and the unreadable files.

    Raises:
        RuleSetError: there is no such folder, or it can not be read.
    """
    files, unreadable = read_files(path)
    laid = {name: formatted(text) for name, text in files.items()}
    bad = [item.file for item in unreadable] + [n for n, text in laid.items() if text is None]
    changed = {n: text for n, text in laid.items() if text is not None and text != files[n]}
    if changed and _identity(files) != _identity({**files, **changed}):
        raise RuleSetError(f"{path}: layout would change the meaning; nothing was written")
    return changed, sorted(bad)


def _identity(files: dict[str, str]) -> str:
    program = check(files).program
    return program.identity if program else ""


def write_files(path: Path, files: dict[str, str]) -> None:
    """Write rule files below a folder; each is replaced whole or not at all.

    Raises:
        RuleSetError: a file can not be written.
    """
    try:
        for name, text in files.items():
            draft = path / f"{name}.new"
            draft.write_text(text, encoding="utf-8", newline="\n")
            draft.replace(path / name)
    except OSError as error:
        raise RuleSetError(f"{path}: {error.strerror}") from error


def stamps(path: Path) -> dict[str, tuple[int, int]]:
    """Return what changes when a rule file of a folder does: time of change and size, by name."""
    found = {}
    for file in sorted(path.rglob(f"*{SUFFIX}")):
        with suppress(OSError):  # it may vanish while we look
            state = file.stat()
            found[str(file)] = (state.st_mtime_ns, state.st_size)
    return found


def lines_of(path: Path) -> dict[str, list[str]]:
    """Return the lines of every rule file below a folder, to show findings with."""
    return {name: text.split("\n") for name, text in read_files(path)[0].items()}


def rendered(path: Path, checked: Checked, *, color: bool) -> str:
    """Return every finding as text, with the lines of the files they stand in."""
    lines = lines_of(path)
    return "\n\n".join(
        render(item, lines.get(item.file, []), color) for item in checked.diagnostics
    )


def shipped_rules() -> Path:
    """Return the folder of the rules that come with this package, installed or in a checkout.

    Raises:
        RuleSetError: neither is there.
    """
    package = Path(__file__).resolve().parent
    for folder in (package / "_rules", package.parent / "rules"):
        if folder.is_dir():
            return folder
    raise RuleSetError("the shipped rules are missing from this installation")
