"""How far beyond a specimen the conditions of a rule set look: back in time, and to either side."""

from dataclasses import dataclass, field
from datetime import timedelta


@dataclass(slots=True)
class Reach:
    """The windows in which earlier results are asked for, and the tests of which the value before.

    `preceding` are the tests whose value in the specimen measured just before is asked for.
    """

    windows: set[timedelta] = field(default_factory=set)
    preceding: set[str] = field(default_factory=set)

    def add(self, other: "Reach") -> None:
        """Reach as far as another as well."""
        self.windows |= other.windows
        self.preceding |= other.preceding

    def __bool__(self) -> bool:
        """Return whether anything is beyond the specimen."""
        return bool(self.windows or self.preceding)

    def put_apart(self, other: "Reach") -> None:
        """Change places with another: what is noted from now on is noted in that one's stead."""
        self.windows, other.windows = other.windows, self.windows
        self.preceding, other.preceding = other.preceding, self.preceding
