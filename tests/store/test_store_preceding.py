"""What an analyzer measured just before: from the database, in memory, and searched for plainly."""

import sqlite3
from datetime import timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from databases import database_url
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec import Struct
from msgspec.structs import replace
from store_makers import MORNING, add_case, case_of, decision, entry, record, verdict

from verifier.decide.before import Before
from verifier.facts.case import Case, State
from verifier.facts.preceding import BOUND, Asked
from verifier.facts.values import Absent, Number, Value
from verifier.store import Store, migrate, result_rows, sqlite

MINUTE, SECOND = timedelta(minutes=1), timedelta(seconds=1)
TESTS = ("potassium", "sodium")


class Made(Struct, frozen=True):
    """A specimen with one value, measured so many minutes after the morning began."""

    minute: int
    patient: str = "LAB^MR^7"
    analyzer: str = "AN1"
    test: str = "potassium"
    value: Value = Number(Decimal("4.1"))
    state: State = "open"

    @property
    def measured(self):  # type: ignore[no-untyped-def]
        return MORNING + self.minute * MINUTE


def judged(made: Made, name: str) -> Case:
    stored = record(entry(state=made.state), specimen=name, patient=made.patient)
    case = case_of(stored)
    (result,) = case.results
    one = replace(
        result, test=made.test, value=made.value, analyzer=made.analyzer, measured=made.measured
    )
    return replace(case, results=(one,))


def keep(store: Store, made: Made, name: str, tests: tuple[str, ...] = TESTS) -> int:
    stored = record(entry(state=made.state), specimen=name, patient=made.patient)
    rows = result_rows(judged(made, name), decision(verdict()), tests)
    return store.write(lambda tx: add_case(tx, stored, decision(verdict()), *rows))


def found(store: Store, made: Made, case_id: int = 0) -> str:
    """Return the specimen that was measured just before, "" for none."""
    wanted = [Asked(made.test, made.analyzer, made.measured)]
    answer = store.read(lambda r: r.preceding(wanted, patient=made.patient, case_id=case_id))
    return answer[made.test].specimen if answer else ""


def test_the_last_one_before_on_the_same_analyzer(store: Store) -> None:
    keep(store, Made(1, "A"), "first")
    keep(store, Made(3, "B", value=Number(Decimal("6.0"))), "second")
    keep(store, Made(4, "C", analyzer="AN2"), "elsewhere")
    keep(store, Made(4, "C", test="sodium"), "other test")
    assert found(store, Made(5, "D")) == "second"
    assert found(store, Made(3, "D")) == "first"  # strictly before
    assert found(store, Made(1, "D")) == ""
    wanted = [Asked("potassium", "AN1", MORNING + 5 * MINUTE)]
    (item,) = store.read(lambda r: r.preceding(wanted, patient="D", case_id=0)).values()
    assert (item.value, item.unit, item.measured, item.analyzer) == (
        Number(Decimal("6.0")), "mmol/L", MORNING + 3 * MINUTE, "AN1",
    )  # fmt: skip


def test_one_of_the_same_patient_is_passed_over_and_nobody_is_another(store: Store) -> None:
    keep(store, Made(1, "B"), "of another")
    keep(store, Made(2, "A"), "of the same")
    assert found(store, Made(5, "A")) == "of another"
    keep(store, Made(3, ""), "of nobody")
    assert found(store, Made(5, "A")) == "of nobody"
    own = keep(store, Made(4, ""), "own")
    assert found(store, Made(5, "")) == "own"
    assert found(store, Made(5, ""), own) == "of nobody"


def test_the_bound_counts_and_a_second_more_does_not(store: Store) -> None:
    keep(store, Made(0, "B"), "yesterday")
    wanted = Asked("potassium", "AN1", MORNING + BOUND)
    read = lambda a: store.read(lambda r: r.preceding([a], patient="A", case_id=0))  # noqa: E731
    assert read(wanted)["potassium"].specimen == "yesterday"
    assert read(replace(wanted, measured=wanted.measured + SECOND)) == {}


@pytest.mark.parametrize("state", ["released", "rejected"])
def test_what_became_of_it_does_not_matter(store: Store, state: State) -> None:
    keep(store, Made(1, "B", state=state), "before")
    assert found(store, Made(5, "A")) == "before"


def test_a_value_that_changes_later_is_found_as_it_is_then(store: Store) -> None:
    stored = record(specimen="before", patient="B")
    number = keep(store, Made(1, "B"), "before")
    changed = judged(Made(1, "B", value=Number(Decimal("9.9"))), "before")
    rows = result_rows(changed, decision(verdict()), TESTS)
    store.write(lambda tx: tx.save_case(number, stored, decision(verdict()), rows))
    wanted = [Asked("potassium", "AN1", MORNING + 5 * MINUTE)]
    (item,) = store.read(lambda r: r.preceding(wanted, patient="A", case_id=0)).values()
    assert item.value == Number(Decimal("9.9"))


def test_rows_no_rule_asks_of_and_rows_without_value_are_not_found(store: Store) -> None:
    keep(store, Made(1, "B"), "before", ())
    keep(store, Made(2, "B", value=Absent("empty")), "without value")
    assert found(store, Made(5, "A")) == ""


def test_nothing_asked_is_nothing_and_many_are_asked_at_once(store: Store) -> None:
    assert store.read(lambda r: r.preceding([], patient="A", case_id=0)) == {}
    for n in range(250):
        keep(store, Made(n % 7, "B", test=f"t{n}"), f"S{n}", (f"t{n}",))
    wanted = [Asked(f"t{n}", "AN1", MORNING + 9 * MINUTE) for n in range(260)]
    answer = store.read(lambda r: r.preceding(wanted, patient="A", case_id=0))
    assert {test: item.specimen for test, item in answer.items()} == {
        f"t{n}": f"S{n}" for n in range(250)
    }


made = st.builds(
    Made,
    minute=st.integers(0, 12).map(lambda n: n * 200),  # to 40 hours
    patient=st.sampled_from(["A", "B", ""]),
    analyzer=st.sampled_from(["AN1", "AN2"]),
    test=st.sampled_from(TESTS),
    state=st.sampled_from(["open", "released", "rejected"]),
)


@settings(
    deadline=None, max_examples=40,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)  # fmt: skip
@given(st.lists(made, min_size=1, max_size=12), made)
def test_the_store_and_the_memory_find_what_a_plain_search_finds(
    tmp_path_factory: pytest.TempPathFactory, before: list[Made], asked: Made
) -> None:
    folder = tmp_path_factory.mktemp("preceding")
    memory, plain = Before(), []
    with Store.open(database_url(folder), checkpoints=folder / "c") as store:
        for number, one in enumerate(before, 1):
            keep(store, one, f"S{number}")
            memory.keep(judged(one, f"S{number}"), TESTS, number)
            fits = (
                (one.analyzer, one.test) == (asked.analyzer, asked.test)
                and timedelta(0) < asked.measured - one.measured <= BOUND
                and (one.patient == "" or one.patient != asked.patient)
            )
            plain += [(one.measured, number)] if fits else []
        expected = f"S{max(plain)[1]}" if plain else ""
        assert found(store, asked) == expected
    wanted = [Asked(asked.test, asked.analyzer, asked.measured)]
    remembered = memory.find(wanted, asked.patient, 0)
    assert (remembered[asked.test].specimen if remembered else "") == expected


def test_the_memory_keeps_the_newest_word_of_a_case() -> None:
    memory, wanted = Before(), [Asked("potassium", "AN1", MORNING + 5 * MINUTE)]
    memory.keep(judged(Made(1, "B"), "S1"), TESTS, 1)
    memory.keep(judged(Made(2, "B", value=Number(Decimal("9.9"))), "S1"), TESTS, 1)
    assert memory.find(wanted, "A", 2)["potassium"].value == Number(Decimal("9.9"))
    assert memory.find(wanted, "A", 1) == {}
    memory.keep(judged(Made(2, "B", value=Absent("empty")), "S1"), TESTS, 1)
    assert memory.find(wanted, "A", 2) == {}


def test_a_database_of_the_first_version_is_brought_forward(
    place: str, folder: Path, database: Path
) -> None:
    from alembic import command
    from alembic.config import Config
    from sqlalchemy import create_engine

    database.parent.mkdir(parents=True)
    engine = create_engine(f"sqlite:///{database}")
    config = Config()
    config.set_main_option("script_location", "verifier.store:migrations")
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
    engine.dispose()
    with sqlite3.connect(database) as old:
        old.execute("INSERT INTO specimen_case VALUES (1,1,'S0','B',0,0,'',0,0,0,0,NULL,?)", (b"",))
        row = (1, 0, "B", 0, "potassium", "K", b"{}", "mmol/L", "S0", "", "open", "", "", None, 0)
        old.execute(f"INSERT INTO result VALUES ({','.join('?' * 15)})", row)
        assert migrate.revision(old) == "0001"
    old.close()
    with Store.open(place, checkpoints=folder) as store:
        keep(store, Made(1, "B"), "before")
        assert found(store, Made(5, "A")) == "before"
    with sqlite3.connect(sqlite.path_of(place)) as new:
        kept = new.execute("SELECT test, analyzer, measured FROM result WHERE case_id = 1")
        assert kept.fetchall() == [("potassium", None, None)]
    new.close()
