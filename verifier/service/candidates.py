"""A rule set as text, with the parameters and units of the site: what goes to another process."""

from collections.abc import Mapping
from pathlib import Path

from msgspec import Struct

from verifier.errors import RuleSetError
from verifier.language import check
from verifier.language.program import Program
from verifier.rulefiles import read_files
from verifier.settings import Settings


class RuleText(Struct, frozen=True):
    """Rule files by name. `name` says to a person which rule set this is."""

    name: str
    files: Mapping[str, str]
    parameters: Mapping[str, str] = {}
    conventional: bool = False

    def program(self) -> Program:
        """Return it compiled; its scenarios are not run.

        Raises:
            RuleSetError: it has errors.
        """
        checked = check(self.files, self.parameters, conventional=self.conventional)
        if checked.program is not None:
            return checked.program
        errors = [item for item in checked.diagnostics if item.severity == "error"]
        first = errors[0]
        raise RuleSetError(
            f"{self.name}: the rule set has {len(errors)} error{'s' * (len(errors) != 1)}, "
            f"the first: {first.file}:{first.line} {first.message}"
        )


def folder_text(path: Path, settings: Settings, name: str = "") -> RuleText:
    """Return the rule set in a folder, as this site sets it.

    Raises:
        RuleSetError: there is no such folder, or a file of it can not be read.
    """
    files, unreadable = read_files(path)
    if unreadable:
        bad = unreadable[0]
        raise RuleSetError(f"{path}: {bad.file}:{bad.line} {bad.message}")
    conventional = settings.units == "conventional"
    return RuleText(name or str(path), files, settings.parameters, conventional)
