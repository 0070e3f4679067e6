"""Checking a stored version: outside a transaction, because it takes a second; kept in one."""

from verifier import __version__
from verifier.language import Checked
from verifier.service.givingway import giving_way
from verifier.service.ruleguarantees import proofs_of, refuse_refuted
from verifier.service.ruleproofs import Progress, prove_version
from verifier.service.ruleshelf import keep_check, known, texts
from verifier.service.ruletexts import checked
from verifier.settings import Settings
from verifier.store.store import Store


def quiet(done: int, of: int) -> None:
    """Tell nobody how far it is."""


def check_version(
    store: Store,
    settings: Settings,
    who: str,
    number: int,
    progress: Progress = quiet,
    *,
    apart: bool = False,
) -> Checked:
    """Check a version with its scenarios, and prove its guarantees unless that is done.

    One without errors, and without a refuted guarantee, counts as checked from then on. `progress`
    tells how many guarantees are proved; `apart` as in `prove_version`.

    Raises:
        RefusedError: there is no such version, it was changed meanwhile, or it breaks a guarantee.
        SettingsError: it has no errors, but the configuration names tests that it does not know.
    """
    written = store.read(lambda reader: texts(reader, number))
    with giving_way():
        found = checked(written, settings)
    program = found.program
    if program is not None:
        if program.guarantees:
            proved = prove_version(store, settings, who, number, progress, apart=apart)
            refuse_refuted(number, proved)
        store.write(lambda tx: keep_check(tx, who, number, written.hash, program))
    return found


def check_if_outdated(
    store: Store, settings: Settings, who: str, number: int, progress: Progress = quiet
) -> None:
    """Check a version again that another version of this program checked, or did not prove.

    Raises:
        RefusedError, SettingsError: as `check_version`.
    """
    version = store.read(lambda reader: known(reader, number))
    if version.checked is None:
        return
    if version.checked_with != __version__ or not store.read(lambda r: proofs_of(r, version)):
        check_version(store, settings, who, number, progress)
