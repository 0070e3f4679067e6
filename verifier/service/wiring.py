"""Whether names in the configuration and names in the rule set fit together."""

from collections.abc import Collection, Iterator
from difflib import get_close_matches

from verifier.errors import SettingsError
from verifier.facts.catalogue import Catalogue
from verifier.facts.units import parse_unit
from verifier.settings import Connection, Settings


def check_wiring(settings: Settings, catalogue: Catalogue) -> None:
    """Check what every connection maps onto the rule set.

    Raises:
        SettingsError: a name no test has, or a unit that is not UCUM; all of them, one per line.
    """
    faults = [
        f"connections.{name}.{fault}"
        for name, connection in settings.connections.items()
        for fault in _faults(connection, catalogue)
    ]
    faults += [
        f"quality.{section}.{fault}"
        for section, named in (
            ("allowable", settings.quality.allowable),
            ("monitors", [name.partition(" on ")[0] for name in settings.quality.monitors]),
        )
        for fault in _unknown_tests(named, catalogue)
    ]
    if faults:
        raise SettingsError("\n".join(faults))


def check_known(kind: str, name: str, known: Collection[str]) -> None:
    """Check a name somebody typed. Raises SettingsError with what was probably meant."""
    if name not in known:
        raise SettingsError(unknown(kind, name, known))


def unknown(kind: str, name: str, known: Collection[str]) -> str:
    """Return the sentence about a name that is not known."""
    close = get_close_matches(name, known, n=1)
    hint = f"did you mean {close[0]!r}?" if close else f"known: {', '.join(sorted(known))}"
    return f"there is no {kind} {name!r}; {hint}"


def _unknown_tests(named: Collection[str], catalogue: Catalogue) -> Iterator[str]:
    for test in named:
        if test not in catalogue.tests:
            yield f"{test}: {unknown('test', test, catalogue.tests)}"


def _faults(connection: Connection, catalogue: Catalogue) -> Iterator[str]:
    for section, mapped in (("tests", connection.tests), ("indices", connection.indices)):
        for word, test in mapped.items():
            if test not in catalogue.tests:
                yield f"{section}.{word}: {unknown('test', test, catalogue.tests)}"
    for word, unit in connection.units.items():
        if parse_unit(unit) is None:
            yield f"units.{word}: {unit!r} is no UCUM unit"
