"""The control side of the morning: levels, corrective actions, and what became of a control."""

from datetime import UTC, datetime
from decimal import Decimal

from msgspec import Struct

from verifier.demo.scenario import Act
from verifier.service import qualityacts
from verifier.service.controlling import Controls
from verifier.store.ids import new_id
from verifier.store.qualityrows import ControlLevel, Review
from verifier.store.rows import Person
from verifier.store.transaction import Reader, Transaction

MATERIAL, LOT = "Fernmoor serum", "FS-07"
EXPIRES = datetime(2099, 12, 31, tzinfo=UTC)


class Seen(Struct, frozen=True):
    """What became of a control: its verdict and rules, how the test stands, what is listed."""

    judged: str
    state: str
    why: str
    left: int
    held: int


def define(tx: Transaction, controls: Controls, step: Act, who: Person, now: datetime) -> None:
    """Define the levels a step names: ``low QC-UL 250 8`` is level, mark, mean and SD."""
    unit = controls.units[step.tests]
    levels = []
    for text in step.levels.split(", "):
        name, mark, mean, sd = text.split()
        levels.append(
            ControlLevel(
                new_id(), step.tests, step.analyzer, MATERIAL, LOT, name, mark, unit,
                Decimal(mean), Decimal(sd), now, EXPIRES,
            )
        )  # fmt: skip
    qualityacts.define_levels(tx, controls, who.name, levels, now)


def seen(reader: Reader, test: str, analyzer: str) -> Seen | None:
    """Return what became of the newest control of a test, None when there is none."""
    results = reader.control_results(test, analyzer, 1)
    row = reader.standing(test, analyzer)
    if not results or row is None:
        return None
    listed = [r for r in reader.open_reviews() if (r.test, r.analyzer) == (test, analyzer)]
    left = sum(review.state == "released" for review in listed)
    judged = " ".join([results[0].verdict, *results[0].rules])
    return Seen(judged, row.state, row.why, left, len(listed) - left)


def listed(reviews: list[Review]) -> list[str]:
    """Return reviews as the morning's data write them."""
    return [f"{review.specimen} {review.test} {review.state}" for review in reviews]
