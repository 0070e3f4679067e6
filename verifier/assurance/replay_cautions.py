"""What a replay can not show, said beside its numbers."""

from collections.abc import Iterator

from verifier.facts.remap import read_differently
from verifier.language.program import Program

_MOST_NAMED = 8


def cautions(candidate: Program, active: Program) -> tuple[str, ...]:
    """Return sentences on facts the candidate asks for and the active set did not keep.

    Facts were gathered for the active set: mapped by its tests, reaching back as far as it looks.
    """
    return tuple(_found(candidate, active))


def _found(candidate: Program, active: Program) -> Iterator[str]:
    if candidate.longest_window > active.longest_window:
        yield (
            f"The candidate looks back {_days(candidate)}, the facts of history reach back "
            f"{_days(active)}: what lies between was not known to it here."
        )
    if asked := candidate.needs_preceding - active.needs_preceding:
        yield (
            f"The candidate asks what was measured just before of {_listed(asked)}; history did "
            "not keep that, so here it is unknown and holds."
        )
    if other := read_differently(candidate.catalogue, active.catalogue):
        yield (
            f"Tests defined differently ({_listed(other)}) were read again from what was sent, as "
            "the connections are set today. Results that were no such test then are not among the "
            "earlier ones."
        )
    if candidate.holds_patients:
        yield (
            "A rule that holds all specimens of a patient is replayed within each specimen only."
        )


def _days(program: Program) -> str:
    days = program.longest_window.days
    return f"{days} day{'s' * (days != 1)}"


def _listed(names: set[str] | frozenset[str]) -> str:
    shown = sorted(names)[:_MOST_NAMED]
    more = len(names) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more else "")
