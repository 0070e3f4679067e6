"""The settings of the errors a laboratory allows, which the sigma metric is reckoned with."""

from decimal import Decimal
from typing import Any, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from verifier.quality.figures import Allowable


class AllowableError(BaseModel):
    """The allowable total error of a test: in percent of the target, or in the unit of the test.

    Where both are given the greater counts. A number alone is one in percent.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    percent: Decimal | None = Field(None, gt=0)
    absolute: Decimal | None = Field(None, gt=0)

    @model_validator(mode="before")
    @classmethod
    def _number_is_percent(cls, given: Any) -> Any:
        return given if isinstance(given, dict | cls) else {"percent": given}

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if self.percent is None and self.absolute is None:
            raise ValueError("give percent or absolute")
        return self

    def known(self) -> Allowable:
        """Return it as the figures know it."""
        return Allowable(self.percent, self.absolute)
