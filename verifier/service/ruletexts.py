"""Rule files between a folder and the database, to the last byte; and what they compile to."""

import re
from collections.abc import Mapping
from pathlib import Path, PurePosixPath

from verifier.errors import RuleSetError
from verifier.language import Checked, Program, check
from verifier.language.differences import differences
from verifier.rulefiles import SUFFIX, check_texts, usable, without_marks
from verifier.service.wiring import check_wiring
from verifier.settings import Settings
from verifier.store.rulerows import RuleTexts

_CRITICAL = re.compile(r"^[^:]*: (the )?critical ")


def read_folder(path: Path, parameters: Mapping[str, str]) -> RuleTexts:
    """Return the rule files below a folder exactly as they are, with the numbers of the site.

    Raises:
        RuleSetError: there is no such folder, no rule file in it, or one that is not UTF-8 text.
    """
    if not path.is_dir():
        raise RuleSetError(f"{path}: there is no such folder. A rule set is a folder of *{SUFFIX}.")
    try:
        found = {
            file.relative_to(path).as_posix(): file.read_bytes()
            for file in sorted(path.rglob(f"*{SUFFIX}"))
            if file.is_file()
        }
        files = {name: data.decode("utf-8") for name, data in found.items()}
    except OSError as error:
        raise RuleSetError(f"{path}: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise RuleSetError(
            f"{path}: a file is not UTF-8 text. Run: verifier rules check {path}"
        ) from error
    if not files:
        raise RuleSetError(f"{path}: there is no *{SUFFIX} file here")
    check_names(files)
    return RuleTexts(files, dict(parameters))


def write_folder(path: Path, texts: RuleTexts) -> None:
    """Write rule files into a new or empty folder, byte for byte as they were read.

    Raises:
        RuleSetError: the folder holds something, or can not be written.
    """
    check_names(texts.files)
    try:
        path.mkdir(parents=True, exist_ok=True)
        if any(path.iterdir()):
            raise RuleSetError(f"{path}: this folder is not empty; name a new one")
        for name, text in texts.files.items():
            (path / name).parent.mkdir(parents=True, exist_ok=True)
            (path / name).write_bytes(text.encode())
    except OSError as error:
        raise RuleSetError(f"{path}: {error.strerror}") from error


def check_names(files: Mapping[str, str]) -> None:
    """Check that every file name is one that can be written below a folder.

    Raises:
        RuleSetError: one leaves the folder, has characters that are not shown, or another ending.
    """
    for name in files:
        parts = PurePosixPath(name).parts
        plain = name.isprintable() and "\\" not in name and "/".join(parts) == name
        if not plain or ".." in parts or name.startswith("/") or not name.endswith(SUFFIX):
            raise RuleSetError(
                f"{name!r} can not be the name of a rule file; write one such as chemistry{SUFFIX}"
            )


def checked(texts: RuleTexts, settings: Settings) -> Checked:
    """Check a rule set as the service would use it, with its scenarios; takes a second.

    Raises:
        SettingsError: it has no errors, but the configuration names tests that it does not know.
    """
    found = check_texts(texts.files, texts.parameters, settings.units)
    if found.program is not None:
        check_wiring(settings, found.program.catalogue)
    return found


def compiled(
    texts: RuleTexts, settings: Settings, what: str, remedy: str, *, known_right: bool = False
) -> Program:
    """Return the program of a version that was checked before; scenarios are not run again.

    `known_right`: it was this version of the program that checked it.

    Raises:
        RuleSetError: it has errors in this version of the program; the sentence ends in `remedy`.
        SettingsError: the configuration names tests that it does not know.
    """
    conventional = settings.units == "conventional"
    found = check(
        without_marks(texts.files), texts.parameters, conventional=conventional,
        known_right=known_right,
    )  # fmt: skip
    program = usable(found, what, remedy)
    check_wiring(settings, program.catalogue)
    return program


def compared(old: RuleTexts, new: RuleTexts) -> list[str]:
    """Return sentences on what differs in meaning, critical limits first; [] when nothing does."""
    found = differences(
        without_marks(old.files), without_marks(new.files), old.parameters, new.parameters
    )
    return sorted(found, key=lambda text: not _CRITICAL.search(text))
