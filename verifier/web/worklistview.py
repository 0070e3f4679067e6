"""The work list made ready to be shown: what is asked for by the address, and its rows."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated
from urllib.parse import urlencode

from fastapi import Depends, Query
from msgspec.structs import asdict

from verifier.facts.priorities import PRIORITIES
from verifier.store.rows import HeldResult, QueueRow
from verifier.store.transaction import Reader
from verifier.store.worklistrows import CaseClaim, Order, Standing, Taken, Targets, View, Wanted
from verifier.texts import mark
from verifier.web.catalogue import say

MOST_ROWS = 200  # of the queue on one page
URGENT = frozenset({"HH", "LL", "AA"})  # HL7 table 0078
MOST_GROUPS = 3  # per row; the rest is counted, the case shows all
SHOWN = {"reason": mark("Reason"), "test": mark("Test"), "ward": mark("Ward"),
         "analyzer": mark("Analyzer"), "priority": mark("Priority")}  # fmt: skip
AGES = {30: "30 min", 60: "1 h", 120: "2 h", 240: "4 h", 480: "8 h", 1440: mark("1 day")}
TAKEN = {"nobody": mark("nobody"), "me": mark("me"), "others": mark("others")}
STANDINGS = {"missed": mark("missed"), "soon": mark("about to miss")}

_Text = Annotated[str, Query(max_length=200)]


@dataclass(frozen=True, slots=True)
class Asked:
    """A list as its address asks for it."""

    wanted: Wanted
    age: int
    page: int

    def at(self, now: datetime) -> Wanted:
        """Return what is wanted now."""
        wanted = self.wanted
        before = now - timedelta(minutes=self.age) if self.age else None
        return Wanted(**(asdict(wanted) | {"opened_before": before}))

    def address(self, path: str = "/", **changes: str | int) -> str:
        """Return the address of this list with some of it changed; the first page of another."""
        fields = {name: value for name, value in asdict(self.wanted).items() if value}
        fields.pop("opened_before", None)
        told = fields | {"age": self.age} | {"page": self.page if not changes else 1} | changes
        told = {name: value for name, value in told.items() if value not in ("", 0)}
        if told.get("order") == "worst":
            del told["order"]
        if told.get("page") == 1:
            del told["page"]
        return f"{path}?{urlencode(told)}" if told else path

    def chosen(self) -> list[tuple[str, str, str]]:
        """Return the filters that stand: what, which value, and the address without it."""
        wanted = self.wanted
        texts = [(name, say(word), getattr(wanted, name)) for name, word in SHOWN.items()]
        age = say(AGES.get(self.age, f"{self.age} min")) if self.age else ""
        texts.append(("age", say("Held at least"), age))
        texts.append(("taken", say("Claimed by"), say(TAKEN[wanted.taken]) if wanted.taken else ""))
        texts.append(("due", say("Target"), say(STANDINGS[wanted.due]) if wanted.due else ""))
        return [(word, said, self.address(**{name: ""})) for name, word, said in texts if said]


def _asked(
    reason: _Text = "",
    test: _Text = "",
    analyzer: _Text = "",
    ward: _Text = "",
    priority: _Text = "",
    taken: Taken = "",
    due: Standing = "",
    order: Order = "worst",
    age: Annotated[int, Query(ge=0, le=5_256_000)] = 0,
    page: Annotated[int, Query(ge=1, le=100_000)] = 1,
) -> Asked:
    wanted = Wanted(reason, test, analyzer, ward, priority, None, taken, due, order)
    return Asked(wanted, age, page)


TheList = Annotated[Asked, Depends(_asked)]


@dataclass(frozen=True, slots=True)
class Group:
    """Held results of a specimen that share one reason."""

    results: list[HeldResult]
    text: str


@dataclass(frozen=True, slots=True)
class Row:
    """A specimen of the queue with its held results by reason; `more` were left out.

    It should be settled before `due`, and is about to miss that from `soon` on.
    """

    row: QueueRow
    groups: list[Group]
    more: int
    soon: datetime
    due: datetime
    claim: CaseClaim | None
    looking: list[str]


@dataclass(frozen=True, slots=True)
class Page:
    """One page of the list: its rows, how many there are on all pages, and the filters."""

    asked: Asked
    rows: list[Row]
    total: int
    choices: dict[str, dict[str, int]]

    @property
    def before(self) -> str:
        """The address of the page before, empty on the first."""
        page = self.asked.page
        return self.asked.address(page=page - 1) if page > 1 else ""

    @property
    def after(self) -> str:
        """The address of the next page, empty on the last."""
        page = self.asked.page
        return self.asked.address(page=page + 1) if page * MOST_ROWS < self.total else ""

    @property
    def first(self) -> int:
        """The number of the first row in the whole list."""
        return (self.asked.page - 1) * MOST_ROWS + 1


def page_of(reader: Reader, asked: Asked, view: View) -> Page:
    """Read one page of the list."""
    wanted, skip = asked.at(view.now), (asked.page - 1) * MOST_ROWS
    claims, looking = reader.claims(view.claims_since), reader.present(view.seen_since)
    rows = [
        _row(row, view, claims.get(row.case_id), _others(looking, row.case_id, view))
        for row in reader.wanted(wanted, view, most=MOST_ROWS, skip=skip)
    ]
    choices = reader.choices(wanted, view)
    choices["priority"] = dict(
        sorted(choices["priority"].items(), key=lambda item: _urgency(item[0]))
    )
    return Page(asked, rows, reader.listed_count(wanted, view), choices)


def state_of(
    reader: Reader, asked: Asked, view: View, said: Callable[[datetime], str]
) -> dict[str, object]:
    """Return which rows the page would show now, in order, with versions and who is at them.

    `said` puts an instant as the page does.
    """
    skip = (asked.page - 1) * MOST_ROWS
    listed = reader.listed(asked.at(view.now), view, MOST_ROWS, skip)
    claims, looking = reader.claims(view.claims_since), reader.present(view.seen_since)
    return {
        "rows": [[str(case_id), version] for case_id, version in listed],
        "claims": {
            str(case_id): {"who": claim.person, "since": said(claim.since)}
            for case_id, claim in claims.items()
        },
        "looking": {str(case_id): _others(looking, case_id, view) for case_id in looking},
    }


def _others(looking: dict[int, list[str]], case_id: int, view: View) -> list[str]:
    return [name for name in looking.get(case_id, []) if name != view.person]


def _row(row: QueueRow, view: View, claim: CaseClaim | None, looking: list[str]) -> Row:
    groups: dict[str, Group] = {}
    for result in row.results:
        groups.setdefault(result.text, Group([], result.text)).results.append(result)
    shown = sorted(groups.values(), key=_calm)
    more = sum(len(group.results) for group in shown[MOST_GROUPS:])
    soon, due = deadline(row.opened, row.priority, view.targets)
    return Row(row, shown[:MOST_GROUPS], more, soon, due, claim, looking)


def deadline(opened: datetime, priority: str, targets: Targets) -> tuple[datetime, datetime]:
    """Return when the last quarter of the time begins, and when it is over."""
    target = targets.of.get(priority, targets.usual)
    return opened + target - target / 4, opened + target


def _urgency(word: str) -> int:
    return PRIORITIES.index(word) if word in PRIORITIES else len(PRIORITIES)


def _calm(group: Group) -> bool:
    return not any(result.flag in URGENT for result in group.results)
