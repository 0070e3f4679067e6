"""The way of a version from draft to rollback: who may, what lapses, what is on record."""

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import pytest
from databases import database_url
from handclock import HandClock

from verifier import settings
from verifier.errors import RefusedError, RuleSetError, SettingsError
from verifier.service import ruleapproval, ruleorders, ruleshelf
from verifier.service.ruleapproval import Seen
from verifier.service.ruletexts import checked, compared
from verifier.settings import Settings
from verifier.store import Person, Role, RuleTexts, Store, Transaction

from .laboratory import RULES

ALL = b'{"counts":{"results":12},"covered":{"days":3,"whole":true}}'
MORE = ALL.replace(b"12", b"13")
PASSWORDLESS = "no hash: nobody signs in here"
LOWER = RULES.replace("above 6.2", "above 6.0")


class House:
    """A database with people and a first active version."""

    def __init__(self, folder: Path) -> None:
        self.clock = HandClock()
        self.settings = settings.parse(
            {"connections": {"chem": {"port": 0, "specimens": {"SER": "serum"}}}}, folder / "x.toml"
        )
        self.store = Store.open(
            database_url(folder), checkpoints=folder / "signed", clock=self.clock
        )
        names: dict[str, Role] = {
            "ada": "administrator", "ben": "administrator", "pat": "pathologist",
            "tom": "technologist",
        }  # fmt: skip
        self.people: dict[str, Person] = {
            name: self.store.write(lambda tx, n=name, r=role: tx.add_person(n, r, PASSWORDLESS))  # type: ignore[misc]
            for name, role in names.items()
        }
        first = texts(RULES)
        program = checked(first, self.settings).program
        assert program
        self.store.write(lambda tx: ruleorders.begin(tx, first, program, "the first"))

    def do(self, act: Callable[[Transaction], object]) -> object:
        self.clock.move(minutes=1)
        return self.store.write(act)

    def draft(self, text: str, who: str = "ada") -> int:
        return self.store.write(lambda tx: ruleshelf.add(tx, who, texts(text), "a change")).id

    def check(self, number: int) -> None:
        found = self.store.read(lambda r: ruleshelf.texts(r, number))
        program = checked(found, self.settings).program
        assert program
        self.do(lambda tx: ruleshelf.keep_check(tx, "ada", number, found.hash, program))

    def replay(self, number: int, against: int = 1, result: bytes = ALL) -> str:
        return self.store.write(lambda tx: ruleshelf.store_replay(tx, number, against, result))

    def seen(self, number: int) -> Seen:
        now = self.clock()
        replay = self.store.read(lambda r: ruleshelf.replay_of(r, number, now))
        assert replay
        return Seen(self.store.read(lambda r: ruleshelf.known(r, number)).hash, replay.digest)

    def approve(self, number: int, who: str, seen: Seen | None = None) -> object:
        looked = seen or self.seen(number)
        return self.do(
            lambda tx: ruleapproval.approve(tx, self.people[who], number, looked, "fine")
        )

    def approved(self, text: str, against: int = 1) -> int:
        number = self.draft(text)
        self.check(number)
        self.replay(number, against)
        self.approve(number, "ben")
        self.approve(number, "pat")
        return number

    def order(self, number: int, who: str = "ada", at: datetime | None = None) -> object:
        return self.do(lambda tx: ruleorders.order(tx, self.people[who], number, at, "go"))

    def roll_back(self, who: str = "ada", because: str = "it held too much") -> object:
        return self.do(lambda tx: ruleorders.roll_back(tx, self.people[who], because))

    def states(self) -> dict[int, str]:
        now = self.clock()
        shelf = self.store.read(lambda r: ruleshelf.shelf(r, now))
        return {each.version.id: each.state for each in shelf.versions}

    def active(self) -> int:
        now = self.clock()
        row = self.store.read(lambda r: r.rule_active(now))
        assert row
        return row.version


def texts(text: str) -> RuleTexts:
    return RuleTexts({"test.rules": text}, {})


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = House(tmp_path)
    yield made
    made.store.close()


def test_a_version_goes_from_draft_to_active_and_back(house: House) -> None:
    assert (house.states(), house.active()) == ({1: "active"}, 1)
    number = house.draft(LOWER)
    assert house.states()[number] == "draft"
    house.check(number)
    assert house.states()[number] == "checked"
    house.replay(number)
    house.approve(number, "pat")
    assert house.states()[number] == "checked"
    house.approve(number, "ada")  # who wrote it may be one of the two
    assert house.states()[number] == "approved"
    house.order(number)
    assert (house.states(), house.active()) == ({1: "was active", 2: "active"}, 2)
    house.roll_back()
    assert (house.states(), house.active()) == ({1: "active", 2: "was active"}, 1)
    said = [entry.what for entry in house.store.read(lambda r: r.audit_of("rules:2"))]
    assert said == [
        "drafted rules", "checked rules", "replayed rules", "approved rules", "approved rules",
        "ordered the activation of rules",
    ]  # fmt: skip
    back = house.store.read(lambda r: r.audit_of("rules:1"))[-1]
    assert (back.who, back.what) == ("ada", "rolled rules back")
    assert back.detail
    assert back.detail["note"] == "it held too much"


def test_two_different_people_must_approve(house: House) -> None:
    number = house.draft(LOWER)
    house.check(number)
    house.replay(number)
    house.approve(number, "pat")
    with pytest.raises(RefusedError, match="pat has approved version 2 already"):
        house.approve(number, "pat")
    with pytest.raises(RefusedError, match="1 of 2 people"):
        house.order(number)
    with pytest.raises(RefusedError, match="tom is technologist; to approve rules takes"):
        house.approve(number, "tom")
    assert house.active() == 1


def test_those_who_wrote_it_can_not_be_the_only_ones_to_approve_it(house: House) -> None:
    number, ben = house.draft(LOWER, "ada"), house.people["ben"]
    more = LOWER.replace("above 158", "above 157")
    seen = texts(LOWER).hash
    house.do(lambda tx: ruleshelf.edit(tx, ben, number, {"test.rules": more}, "sodium", seen))
    house.check(number)
    house.replay(number)
    house.approve(number, "ada")
    house.approve(number, "ben")
    with pytest.raises(RefusedError, match="also wrote on it; one more person"):
        house.order(number)
    house.approve(number, "pat")
    house.order(number)
    assert house.active() == number


def test_what_was_not_seen_can_not_be_approved(house: House) -> None:
    number = house.draft(LOWER)
    house.check(number)
    with pytest.raises(RefusedError, match="was not replayed against version 1"):
        house.approve(number, "pat", Seen(texts(LOWER).hash, ""))
    house.replay(number)
    seen = house.seen(number)
    with pytest.raises(RefusedError, match="Version 2 is not what you saw"):
        house.approve(number, "pat", Seen(texts(RULES).hash, seen.replay))
    house.replay(number, result=MORE)
    with pytest.raises(RefusedError, match="The replay of version 2 is not the one you saw"):
        house.approve(number, "pat", seen)


def test_a_replay_over_too_little_history_approves_nothing(house: House) -> None:
    number = house.draft(LOWER)
    house.check(number)
    for days, asked in ((6, "at least 7 days"), (0, "at least 7 days")):
        house.replay(number, result=ALL.replace(b"3,", b"%d," % days).replace(b"true", b"false"))
        with pytest.raises(RefusedError, match=asked) as refused:
            house.approve(number, "pat")
        assert ("12 results, " + ("6 days" if days else "less than a day")) in str(refused.value)
    house.replay(number, result=b'{"counts":{"results":12}}')  # as kept before it was counted
    with pytest.raises(RefusedError, match="not counted how many days"):
        house.approve(number, "pat")
    house.replay(number, result=ALL.replace(b"3,", b"7,").replace(b"true", b"false"))
    house.approve(number, "pat")
    said = house.store.read(lambda r: r.audit_of(f"rules:{number}"))
    (entry,) = [each for each in said if each.what == "approved rules"]
    assert entry.detail["covered"] == "12 results, 7 days"


def test_a_site_says_how_much_history_is_enough(house: House) -> None:
    number = house.draft(LOWER)
    house.check(number)
    house.replay(number, result=ALL.replace(b"true", b"false"))
    now = house.clock()
    for least, enough in ((4, False), (3, True), (0, True)):
        asked = partial(ruleapproval.approvable, number=number, now=now, least=least)
        if enough:
            house.store.read(asked)
        else:
            with pytest.raises(RefusedError, match=f"at least {least} days"):
                house.store.read(asked)
    assert house.settings.replay_days == 7


def test_a_replay_of_what_was_changed_meanwhile_is_not_kept(house: House) -> None:
    number, replayed = house.draft(LOWER), texts(RULES).hash
    with pytest.raises(RefusedError, match="changed while it was replayed"):
        house.do(lambda tx: ruleshelf.store_replay(tx, number, 1, b"{}", seen=replayed))


def test_approvals_lapse_with_another_replay(house: House) -> None:
    number = house.approved(LOWER)
    house.replay(number, result=MORE)
    assert house.states()[number] == "checked"
    with pytest.raises(RefusedError, match="0 of 2 people"):
        house.order(number)
    house.replay(number)  # the same result as before has the same digest
    assert house.states()[number] == "approved"


def test_an_edit_makes_a_draft_again_and_must_begin_from_what_is_there(house: House) -> None:
    number, ada = house.approved(LOWER), house.people["ada"]
    files = {"test.rules": LOWER + "\n# a word"}

    def edit(seen: str) -> Callable[[Transaction], object]:
        return lambda tx: ruleshelf.edit(tx, ada, number, files, "a word", seen)

    with pytest.raises(RefusedError, match="was changed meanwhile"):
        house.do(edit(texts(RULES).hash))
    house.do(edit(texts(LOWER).hash))
    assert house.states()[number] == "draft"
    with pytest.raises(RefusedError, match="was not checked"):
        house.order(number)
    house.check(number)
    with pytest.raises(RefusedError, match="was not replayed"):
        house.order(number)
    house.replay(number)
    with pytest.raises(RefusedError, match="0 of 2 people"):
        house.order(number)
    with pytest.raises(RefusedError, match="to write rules takes"):
        house.do(lambda tx: ruleshelf.edit(tx, house.people["pat"], number, files, "", ""))


def test_a_draft_may_have_errors_and_a_checked_version_may_not(house: House) -> None:
    number = house.draft("rule broken for every test")
    assert (
        checked(house.store.read(lambda r: ruleshelf.texts(r, number)), house.settings).program
        is None
    )
    with pytest.raises(RefusedError, match="draft that was not checked"):
        house.approve(number, "pat", Seen("", ""))
    with pytest.raises(RuleSetError, match="can not be the name"):
        house.store.write(
            lambda tx: ruleshelf.add(tx, "ada", RuleTexts({"../x.rules": ""}, {}), "")
        )


def test_a_check_of_what_was_changed_meanwhile_does_not_count(house: House) -> None:
    number = house.draft(LOWER)
    program = checked(texts(RULES), house.settings).program
    assert program
    with pytest.raises(RefusedError, match="changed while it was checked"):
        house.do(lambda tx: ruleshelf.keep_check(tx, "ada", number, texts(RULES).hash, program))


def test_an_activation_waits_for_its_time_and_can_be_withdrawn(house: House) -> None:
    number = house.approved(LOWER)
    with pytest.raises(RefusedError, match="is past"):
        house.order(number, at=house.clock() - timedelta(hours=1))
    house.order(number, at=house.clock() + timedelta(hours=1))
    assert (house.states()[number], house.active()) == ("ordered", 1)
    other = house.approved(LOWER + "\n# a word")
    with pytest.raises(RefusedError, match="is pending; withdraw it first"):
        house.order(other)
    house.do(lambda tx: ruleorders.withdraw(tx, house.people["pat"]))
    assert house.states()[number] == "approved"
    house.clock.move(hours=2)
    assert house.active() == 1
    house.order(number, at=house.clock() + timedelta(hours=1))
    house.clock.move(hours=1)
    assert (house.states()[number], house.active()) == ("active", number)
    with pytest.raises(RefusedError, match="No activation is pending"):
        house.do(lambda tx: ruleorders.withdraw(tx, house.people["pat"]))
    with pytest.raises(RefusedError, match="was not replayed against version 2"):
        house.order(other)  # approved on what it changes of version 1


def test_a_rollback_goes_back_step_by_step_and_takes_what_is_pending_with_it(house: House) -> None:
    second = house.approved(LOWER)
    house.order(second)
    third = house.approved(LOWER + "\n# a word", against=second)
    house.order(third)
    fourth = house.approved(LOWER + "\n# two words", against=third)
    house.order(fourth, at=house.clock() + timedelta(days=1))
    with pytest.raises(RefusedError, match="Say why"):
        house.roll_back(because=" ")
    with pytest.raises(RefusedError, match="to roll rules back takes"):
        house.roll_back("tom")
    house.roll_back("pat")
    assert (house.active(), house.states()[fourth]) == (second, "checked")
    house.roll_back()
    assert house.active() == 1
    with pytest.raises(RefusedError, match="no version before"):
        house.roll_back()
    house.clock.move(days=2)
    assert house.active() == 1


def test_what_was_rolled_back_needs_new_approvals(house: House) -> None:
    number = house.approved(LOWER)
    house.order(number)
    house.roll_back()
    with pytest.raises(RefusedError, match="0 of 2 people"):
        house.order(number)
    house.approve(number, "ben")
    house.approve(number, "pat")
    house.order(number)
    assert house.active() == number


def test_the_difference_between_versions_is_told_in_words(house: House) -> None:
    first, second = compared(texts(RULES), texts(LOWER))
    assert "6.0" in first
    assert "its source did not" in second
    assert compared(texts(RULES), texts("\ufeff" + RULES)) == []


def test_rules_that_lack_a_test_the_configuration_names_can_not_be_checked(house: House) -> None:
    wired = house.settings.model_copy(
        update={
            "connections": {
                "chem": house.settings.connections["chem"].model_copy(
                    update={"tests": {"K": "potasium"}}
                )
            }
        }
    )
    assert isinstance(wired, Settings)
    with pytest.raises(SettingsError, match="did you mean 'potassium'"):
        checked(texts(RULES), wired)
