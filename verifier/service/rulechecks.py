"""Checking a stored version: outside a transaction, because it takes a second; kept in one."""

from verifier import __version__
from verifier.language import Checked
from verifier.service.givingway import giving_way
from verifier.service.ruleshelf import keep_check, known, texts
from verifier.service.ruletexts import checked
from verifier.settings import Settings
from verifier.store.store import Store


def check_version(store: Store, settings: Settings, who: str, number: int) -> Checked:
    """Check a version with its scenarios; one without errors counts as checked from then on.

    Raises:
        RefusedError: there is no such version, or it was changed while it was checked.
        SettingsError: it has no errors, but the configuration names tests that it does not know.
    """
    written = store.read(lambda reader: texts(reader, number))
    with giving_way():
        found = checked(written, settings)
    program = found.program
    if program is not None:
        store.write(lambda tx: keep_check(tx, who, number, written.hash, program))
    return found


def check_if_outdated(store: Store, settings: Settings, who: str, number: int) -> None:
    """Check a version again that another version of this program checked.

    Raises:
        RefusedError, SettingsError: as `check_version`.
    """
    version = store.read(lambda reader: known(reader, number))
    if version.checked is not None and version.checked_with != __version__:
        check_version(store, settings, who, number)
