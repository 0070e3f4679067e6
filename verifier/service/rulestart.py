"""Which rules decide when the service starts: the active version of the database.

The folder of the configuration is used once, for the first version; later it is only compared.
"""

from datetime import datetime

from msgspec import Struct

from verifier import __version__
from verifier.clock import Clock
from verifier.errors import RuleSetError
from verifier.language import Program
from verifier.rulefiles import load_program, usable
from verifier.service.ruleorders import begin
from verifier.service.ruleshelf import PROGRAM, keep_check, known, texts
from verifier.service.rulestate import course
from verifier.service.ruletexts import checked, compiled, read_folder
from verifier.settings import Settings
from verifier.store.rulerows import RuleTexts, VersionRow
from verifier.store.store import Store
from verifier.store.transaction import Reader


class Rules(Struct, frozen=True):
    """A rule set that decides; `version` is None where no version was ever activated.

    `told` are sentences for whoever starts the service.
    """

    program: Program
    version: int | None
    told: tuple[str, ...] = ()


class _Active(Struct, frozen=True):
    version: VersionRow
    texts: RuleTexts
    before: int | None


def start_rules(store: Store, settings: Settings, clock: Clock) -> Rules:
    """Return the rules to start with; those in the folder become the first version of all.

    Raises:
        RuleSetError: the rules have errors; the sentence says what to do.
        SettingsError: the configuration names tests that the rules do not know.
    """
    now = clock()
    active = store.read(lambda reader: _active(reader, now))
    if active is None:
        return _begin(store, settings, clock)
    program = _program(store, settings, active)
    told = [_decides(program, active.version.id)]
    if changed := store.read(lambda reader: _folder(reader, settings, active)):
        told.append(changed)
    return Rules(program, active.version.id, tuple(told))


def deciding(store: Store, settings: Settings, clock: Clock) -> Rules:
    """Return the rules that decide, for a command beside the service; starts nothing.

    Raises:
        RuleSetError: the rules have errors.
        SettingsError: the configuration names tests that the rules do not know.
    """
    now = clock()
    active = store.read(lambda reader: _active(reader, now))
    if active is None:
        return Rules(load_program(settings.rules, settings.parameters, settings.units), None)
    return Rules(
        compiled(active.texts, settings, _name(active), _remedy(active)), active.version.id
    )


def _active(reader: Reader, now: datetime) -> _Active | None:
    record = reader.rule_activations()
    if record and record[0].at > now:
        raise RuleSetError(
            f"the first version of the rules decides from {record[0].at.isoformat()} on, and "
            f"the clock of this machine says {now.isoformat()}. Set the clock."
        )
    where = course(record, now)
    if where.active is None:
        return None
    number = where.active.version
    return _Active(known(reader, number), texts(reader, number), where.before)


def _begin(store: Store, settings: Settings, clock: Clock) -> Rules:
    written = read_folder(settings.rules, settings.parameters)
    remedy = f"Run: verifier rules check {settings.rules}"
    program = usable(checked(written, settings), str(settings.rules), remedy)
    note = f"the folder {settings.rules} at the first start"
    row = store.write(lambda tx: begin(tx, written, program, note))
    if row is None:
        return start_rules(store, settings, clock)
    first = f"no version of the rules was active: {note} is version {row.version} and decides now"
    return Rules(program, row.version, (_decides(program, row.version), first))


def _program(store: Store, settings: Settings, active: _Active) -> Program:
    """Compile the active version; what another version of this program checked is checked anew."""
    version = active.version
    if version.checked_with == __version__:
        return compiled(active.texts, settings, _name(active), _remedy(active), known_right=True)
    program = usable(checked(active.texts, settings), _name(active), _remedy(active))
    store.write(lambda tx: keep_check(tx, PROGRAM, version.id, version.hash, program))
    return program


def _folder(reader: Reader, settings: Settings, active: _Active) -> str:
    """Return what to say about a folder that is not what decides, empty if there is none."""
    number, folder = active.version.id, settings.rules
    try:
        written = read_folder(folder, settings.parameters)
    except RuleSetError:
        return ""  # whoever keeps no folder needs none: the database has everything
    if written.hash == active.version.hash:
        return ""
    if same := reader.rule_version_by_hash(written.hash):
        return f"the folder {folder} is version {same.id}; version {number} decides"
    what = f"the folder {folder} is not"
    if written.files == active.texts.files:
        what = "the [parameters] of the configuration are not"
    return f"{what} what version {number} says, and not used: verifier rules import {folder}"


def _decides(program: Program, number: int) -> str:
    return f"{len(program.rules)} rules active, rule set {program.identity[:12]}, version {number}"


def _name(active: _Active) -> str:
    return f"version {active.version.id} of the rules, which is active"


def _remedy(active: _Active) -> str:
    back = ""
    if active.before is not None:
        back = f", or go back to version {active.before}: verifier rollback"
    return (
        f"It was checked by verifier {active.version.checked_with}, this is {__version__}. Use "
        f"that program{back}, or mend it: verifier rules export {active.version.id} DIR, change "
        "it, import it, have it approved and activate it."
    )
