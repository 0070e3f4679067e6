"""Patient data goes after its time; everything else stays, and the audit log still verifies."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from databases import database_url
from store_makers import add_case, decision, entry, inbound, outgoing, record, row, verdict

from verifier.cli import main
from verifier.service.keeping import count_old, remove_old
from verifier.store import Store, Transaction
from verifier.store.audit import detail_digest
from verifier.store.retention import OF_CASE, OF_DECISION, Removed
from verifier.store.schema import metadata

SECRET = "EXAMPLE^PERSON"
NEVER = {"audit", "message"}  # rows of which a part is removed


def a_case(tx: Transaction, specimen: str, *, held: bool = False, leaving: bool = False) -> int:
    state = "open" if held else "released"
    made = decision(verdict(0, "hold" if held else "release"))
    number = add_case(tx, record(entry(state=state), specimen=specimen), made, row())
    message = inbound(f"M-{specimen}", raw=f"MSH|{SECRET}|{specimen}".encode())
    tx.add_message(message)
    sent = outgoing(case_id=number)
    tx.add_outbox(sent)
    if not leaving:
        tx.mark_sent(sent.id, "AA")
    tx.audit("verifier", "decided", f"case:{number}", {"patient": SECRET})
    return number


def rows_of(store: Store, table: str) -> int:
    return int(
        store.read(lambda r: r._cursor.execute(f"SELECT count(*) FROM {table}").fetchone()[0])
    )


def everything_of(store: Store) -> bytes:
    """All cells of all tables, to look for a name in."""
    cells = []
    for table in metadata.tables:
        cells += store.read(lambda r, t=table: r._cursor.execute(f"SELECT * FROM {t}").fetchall())
    return repr(cells).encode()


def test_what_is_settled_goes_and_what_is_not_stays(store: Store, clock) -> None:  # type: ignore[no-untyped-def]
    clock.at = datetime.now(UTC)  # ids tell their time
    gone = store.write(lambda tx: [a_case(tx, f"S{n}") for n in range(3)])
    held = store.write(lambda tx: a_case(tx, "HELD", held=True))
    leaving = store.write(lambda tx: a_case(tx, "LEAVING", leaving=True))
    assert store.checkpoint()
    before = clock.move(days=1)
    found = count_old(store, before)
    assert found == Removed(cases=3, messages=5, details=5)
    clock.move(days=1)
    assert sum(remove_old(store, before, "ann"), Removed()) == found
    assert [store.read(lambda r, c=case: r.case(c)) for case in gone] == [None] * 3
    assert store.read(lambda r: r.case(held)) is not None
    assert store.read(lambda r: r.case(leaving)) is not None
    report = store.verify_audit()
    assert report.findings == ()
    assert report.without_detail == 5
    assert store.read(lambda r: r.audit_newest(1))[0].detail == {
        "before": before.isoformat(), "cases": 3, "messages": 5, "details": 5,
    }  # fmt: skip
    assert not count_old(store, before), "once is enough"
    assert list(remove_old(store, before, "ann")) == []


def test_nothing_of_a_patient_is_left(
    store: Store, place: str, folder: Path, clock, database: Path
) -> None:  # type: ignore[no-untyped-def]
    clock.at = datetime.now(UTC)
    store.write(lambda tx: [a_case(tx, f"S{n}") for n in range(250)])
    assert SECRET.encode() in everything_of(store)
    store.close()
    assert SECRET.encode() in database.read_bytes()
    before = clock.move(days=1)
    with Store.open(place, checkpoints=folder, clock=clock) as opened:
        steps = list(remove_old(opened, before, "ann"))
        assert len(steps) > 6, "in small steps, so that nothing waits for long"
        assert SECRET.encode() not in everything_of(opened)
        assert rows_of(opened, "message") == 250, "that something was received stays on record"
    assert SECRET.encode() not in database.read_bytes(), "nor in pages that are free now"


def test_younger_data_stays(store: Store, clock) -> None:  # type: ignore[no-untyped-def]
    clock.at = datetime.now(UTC)
    store.write(lambda tx: a_case(tx, "S1"))
    assert not count_old(store, clock() - timedelta(days=1))


@pytest.mark.parametrize(
    ("owner", "owned"),
    [("specimen_case", {table.name for table in OF_CASE}), ("decision", {OF_DECISION.name})],
)
def test_every_table_that_belongs_to_a_case_is_removed_with_it(owner: str, owned: set[str]) -> None:
    belonging = {
        table.name
        for table in metadata.tables.values()
        for key in table.foreign_keys
        if key.column.table.name == owner
    }
    assert belonging == owned


def test_the_command_counts_before_it_removes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "verifier.toml"
    url, folder = database_url(tmp_path), tmp_path / "checkpoints"
    path.write_text(f'database = "{url}"\n[connections.line]\nport = 0\n')
    long_ago = datetime(2010, 5, 1, tzinfo=UTC)
    with Store.open(url, checkpoints=folder, clock=lambda: long_ago) as store:
        store.write(lambda tx: a_case(tx, "S1"))
    tomorrow = f"{datetime.now(UTC) + timedelta(days=1):%Y-%m-%d}"
    command = ["retention", "--before", tomorrow, "--config", str(path)]
    assert main(command) == 0
    assert "1 settled cases, 1 messages" in capsys.readouterr().out
    assert main([*command, "--remove"]) == 0
    assert "removed: 1 cases, 1 messages" in capsys.readouterr().out
    assert main(["retention", "--before", "soon", "--config", str(path)]) == 2
    assert "write a date such as" in capsys.readouterr().err


def test_what_was_removed_can_not_be_guessed(store: Store) -> None:
    """The hash that stays in an entry is of its details and a salt; without it no name fits."""
    store.write(lambda tx: a_case(tx, "S1"))
    before = store.read(lambda r: next(iter(r.audit_stored())))
    digest = before.body[-66:-2].decode()
    assert detail_digest(before.salt, before.detail or b"").hex() == digest
    store.write(lambda tx: tx.clear_details("main", 0, 1))
    after = store.read(lambda r: next(iter(r.audit_stored())))
    assert (after.body, after.salt, after.detail) == (before.body, b"", None)
    assert detail_digest(after.salt, before.detail or b"").hex() != digest
