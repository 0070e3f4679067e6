"""The settings of the work list: how soon a held specimen is looked at, how long a claim lasts."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, field_validator

from verifier.facts.priorities import ROUTINE, Priority

Minutes = Annotated[float, Field(gt=0)]


class Worklist(BaseModel):
    """Minutes within which a held specimen should be settled, by priority.

    They are examples; the laboratory sets its own. A priority without one has that of ``routine``.
    A claim ends `claim_minutes` after its holder last did something with the specimen.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    targets: dict[Priority, Minutes] = {"stat": 30, "ASAP": 60, "routine": 120}
    claim_minutes: float = Field(15, gt=0)

    @field_validator("targets")
    @classmethod
    def _has_routine(cls, value: dict[Priority, float]) -> dict[Priority, float]:
        if ROUTINE not in value:
            raise ValueError("give routine as well: it is the target of every other priority")
        return value
