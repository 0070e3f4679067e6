"""The rule sets of a replay or shadow run, from a folder or from the versions in the database."""

from pathlib import Path

from msgspec import Struct

from verifier import clock
from verifier.errors import RuleSetError
from verifier.language import check
from verifier.language.program import Program
from verifier.rulefiles import usable, without_marks
from verifier.service import ruleshelf
from verifier.service.rulestate import course
from verifier.service.ruletexts import read_folder
from verifier.settings import Settings
from verifier.store.rulerows import RuleTexts
from verifier.store.shadows import Shadow
from verifier.store.transaction import Reader

ACTIVE = "active"


class Candidate(Struct, frozen=True):
    """A rule set as text; it can be sent to another process. `version` is its number, if it has.

    `name` says to a person which one it is, `conventional` in which units results are shown.
    """

    name: str
    texts: RuleTexts
    conventional: bool = False
    version: int | None = None

    def program(self) -> Program:
        """Return it compiled; its scenarios are not run.

        Raises:
            RuleSetError: it has errors.
        """
        found = check(
            without_marks(self.texts.files), self.texts.parameters, conventional=self.conventional
        )
        return usable(found, self.name, "Run verifier rules check on it.")


def of_folder(path: Path, settings: Settings, name: str = "") -> Candidate:
    """Return the rule set in a folder, with the numbers and units of the site.

    Raises:
        RuleSetError: there is no such folder, or it can not be read.
    """
    texts = read_folder(path, settings.parameters)
    return Candidate(name or str(path), texts, settings.units == "conventional")


def of_version(reader: Reader, number: int, settings: Settings) -> Candidate:
    """Return a version of the database, with its own numbers.

    Raises:
        RefusedError: there is no such version.
    """
    texts = ruleshelf.texts(reader, number)
    return Candidate(f"version {number}", texts, settings.units == "conventional", number)


def of_shadow(reader: Reader, shadow: Shadow, settings: Settings) -> Candidate:
    """Return the candidate of a shadow run, as it was when the run began."""
    texts = reader.shadow_texts(shadow.id)
    assert texts is not None, "a shadow run has texts"
    return Candidate(shadow.name, texts, settings.units == "conventional", shadow.version)


def active(reader: Reader, settings: Settings) -> Candidate:
    """Return the rule set that decides now: the active version, or else the configured folder.

    Raises:
        RuleSetError: the folder can not be read.
    """
    now = course(reader.rule_activations(), clock.now()).active
    if now is None:
        return of_folder(settings.rules, settings, f"{ACTIVE} ({settings.rules})")
    found = of_version(reader, now.version, settings)
    return Candidate(f"{ACTIVE} ({found.name})", found.texts, found.conventional, found.version)


def named(reader: Reader, name: str, settings: Settings) -> Candidate:
    """Return what a person named: "active", the number of a version, or a folder.

    Raises:
        RefusedError: there is no such version. RuleSetError: there is no such folder.
    """
    if name == ACTIVE:
        return active(reader, settings)
    if name.isascii() and name.isdigit() and not Path(name).is_dir():
        return of_version(reader, int(name), settings)
    try:
        return of_folder(Path(name), settings)
    except RuleSetError as error:
        raise RuleSetError(f"{error} (or name a version by its number, or {ACTIVE!r})") from error
