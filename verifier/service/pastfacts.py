"""The facts of a stored decision as a certain rule set would have had them."""

from collections.abc import Callable, Mapping

from msgspec import Struct

from verifier.facts.case import Case, CaseRecord, Control
from verifier.facts.catalogue import ConnectionMap
from verifier.facts.remap import read_differently, remapped
from verifier.language.program import Program
from verifier.settings import Settings


class Site(Struct, frozen=True):
    """What of the settings facts are read with; it can be sent to another process."""

    maps: Mapping[str, ConnectionMap]
    assumed: Control

    @classmethod
    def of(cls, settings: Settings) -> "Site":
        """Return it from the settings of the service."""
        assumed: Control = "unknown"
        if settings.quality.without_state == "assume in control":
            assumed = "in control"
        maps = {name: each.mapping(name) for name, each in settings.connections.items()}
        return cls(maps, assumed)


class PastFacts:
    """Facts for one rule set; `kept` is the one that most of history was read with."""

    def __init__(self, program: Program, kept: Program, site: Site) -> None:
        self._program, self._site = program, site
        self._alike = {program.identity}
        if not read_differently(program.catalogue, kept.catalogue):
            self._alike.add(kept.identity)

    def of(self, rule_set: str, case: Case, record: Callable[[], CaseRecord | None]) -> Case:
        """Return the facts of a decision that `rule_set` made, read by our rule set."""
        if rule_set in self._alike:
            return case
        known = record()
        assert known is not None, "a decision belongs to a case"
        site = self._site
        return remapped(case, known, self._program.catalogue, site.maps, site.assumed)
