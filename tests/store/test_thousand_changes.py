"""A thousand changes made by chance, each found: to an export, and to the database itself.

Not found, but said, is what is no change to what the log tells: details that are left out (they
are counted as missing), and the newest checkpoints taken out of an export (their number is said
where copies are kept elsewhere; without copies the entries count as not signed).
"""

import io
import json
import random
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from databases import ON_POSTGRES

from verifier.errors import StoreError
from verifier.store import Store
from verifier.store.export import verify_export
from verifier.store.notes import PublicKey
from verifier.store.verify import Report

ENTRIES, SIGNED = 40, (9, 17, 30, 38)
CHANGES = 1000


def filled(store: Store) -> None:
    for number in range(ENTRIES):
        detail = {"patient": f"PÄ {number}", "n": number}
        store.write(lambda tx, n=number, d=detail: tx.audit("änn", "released", f"case:{n % 5}", d))
        if number + 1 in SIGNED:
            assert store.checkpoint()
    store.write(lambda tx: tx.clear_details("main", 3, 6))


Lines = list[bytes]


def flip_bit(lines: Lines, chance: random.Random) -> None:
    whole = bytearray(b"".join(lines))
    whole[chance.randrange(len(whole))] ^= 1 << chance.randrange(8)
    lines[:] = [bytes(whole)]


def set_byte(lines: Lines, chance: random.Random) -> None:
    whole = bytearray(b"".join(lines))
    whole[chance.randrange(len(whole))] = chance.randrange(256)
    lines[:] = [bytes(whole)]


def cut_anywhere(lines: Lines, chance: random.Random) -> None:
    whole = b"".join(lines)
    lines[:] = [whole[: chance.randrange(len(whole))]]


def cut_lines(lines: Lines, chance: random.Random) -> None:
    del lines[chance.randrange(1, len(lines)) :]


def cut_lines_with_head(lines: Lines, chance: random.Random) -> None:
    del lines[chance.randrange(1, len(lines)) :]
    header = json.loads(lines[0])
    header["size"] = len(lines) - 1
    lines[0] = packed(header)


def remove_lines(lines: Lines, chance: random.Random) -> None:
    at = chance.randrange(len(lines))
    del lines[at : at + chance.randrange(1, 4)]


def swap(lines: Lines, chance: random.Random) -> None:
    at, other = chance.sample(range(len(lines)), 2)
    lines[at], lines[other] = lines[other], lines[at]


def shuffle(lines: Lines, chance: random.Random) -> None:
    start = chance.randrange(1, len(lines) - 4)
    some = lines[start : start + 4]
    chance.shuffle(some)
    lines[start : start + 4] = some


def double(lines: Lines, chance: random.Random) -> None:
    lines.insert(chance.randrange(len(lines)), chance.choice(lines))


def insert_blank(lines: Lines, chance: random.Random) -> None:
    lines.insert(chance.randrange(len(lines) + 1), chance.choice([b"\n", b" \n", b"{}\n"]))


def edit_entry(lines: Lines, chance: random.Random) -> None:
    at = chance.randrange(1, len(lines))
    line = json.loads(lines[at])
    body = json.loads(line["body"])
    place = chance.randrange(len(body))
    body[place] = body[place] + chance.choice([1, -1]) if place < 2 else body[place] + "x"
    line["body"] = json.dumps(body, separators=(",", ":"), ensure_ascii=False)
    lines[at] = packed(line)


def edit_detail(lines: Lines, chance: random.Random) -> None:
    at = chance.randrange(1, len(lines))
    line = json.loads(lines[at])
    line["detail"] = chance.choice(['{"patient":"somebody else"}', "", "{}"])
    lines[at] = packed(line)


def drop_detail(lines: Lines, chance: random.Random) -> None:
    at = chance.randrange(1, len(lines))
    line = json.loads(lines[at])
    line["detail"] = None
    lines[at] = packed(line)


def move_numbers(lines: Lines, chance: random.Random) -> None:
    at = chance.randrange(1, len(lines))
    line = json.loads(lines[at])
    line["seq"] += chance.choice([1, -1, 5, -50])
    lines[at] = packed(line)


def checkpoints(lines: Lines, chance: random.Random) -> None:
    header = json.loads(lines[0])
    notes = header["checkpoints"]
    match chance.choice(["swap", "remove", "double", "mix", "none"]):
        case "swap":
            at, other = chance.sample(range(len(notes)), 2)
            notes[at], notes[other] = notes[other], notes[at]
        case "remove":
            del notes[chance.randrange(len(notes))]
        case "double":
            notes.insert(chance.randrange(len(notes)), chance.choice(notes))
        case "mix":  # the text of one over the signature of another
            at, other = chance.sample(range(len(notes)), 2)
            notes[at] = notes[at].split("\n\n")[0] + "\n\n" + notes[other].split("\n\n")[1]
        case "none":
            notes.clear()
    lines[0] = packed(header)


def head(lines: Lines, chance: random.Random) -> None:
    header = json.loads(lines[0])
    name = chance.choice(["log", "size", "root", "key"])
    header[name] = {
        "log": "audit-0000", "size": header["size"] + 1, "root": "00" * 32, "key": "",
    }[name]  # fmt: skip
    lines[0] = packed(header)


def packed(value: object) -> bytes:
    return json.dumps(value, separators=(",", ":"), ensure_ascii=False).encode() + b"\n"


WAYS: list[Callable[[Lines, random.Random], None]] = [
    flip_bit, flip_bit, set_byte, cut_anywhere, cut_lines, cut_lines_with_head, remove_lines, swap,
    shuffle, double, insert_blank, edit_entry, edit_detail, drop_detail, move_numbers, checkpoints,
    head,
]  # fmt: skip


@pytest.mark.parametrize("kept_elsewhere", [True, False])
def test_a_thousand_changes_to_an_export(store: Store, kept_elsewhere: bool) -> None:
    filled(store)
    file = io.BytesIO()
    store.export_audit(file)
    original = file.getvalue()
    notes = store._notary.notes() if kept_elsewhere else None
    key = store._notary.public_key() if kept_elsewhere else None
    fine = verify_export(io.BytesIO(original), notes, key)
    assert (fine.findings, fine.said, fine.without_detail) == ((), (), 3)
    chance, tally = random.Random(9162), Counter[str]()
    done = 0
    while done < CHANGES:
        lines = original.splitlines(keepends=True)
        way = WAYS[done % len(WAYS)]
        way(lines, chance)
        changed = b"".join(lines)
        if changed == original:
            continue
        done += 1
        tally[outcome(changed, notes, key, fine, way.__name__)] += 1
    assert tally["found"] + tally["said"] == CHANGES, tally
    assert tally["found"] > 0.9 * CHANGES, tally


def outcome(
    changed: bytes, notes: list[str] | None, key: PublicKey | None, fine: Report, way: str
) -> str:
    try:
        report = verify_export(io.BytesIO(changed), notes, key)
    except (StoreError, ValueError):
        return "found"
    if report.findings:
        return "found"
    if way == "drop_detail":
        return "said" if report.without_detail == fine.without_detail + 1 else "missed: its count"
    if way == "checkpoints":
        fewer = report.checkpoints < fine.checkpoints or report.said
        return "said" if fewer else "missed: its count"
    return f"missed: {way}"


VALUES: dict[str, list[Any]] = {
    "number": [0, 1, -1, 7, 1 << 40],
    "text": ["", "x", "bob", "main", "case:0"],
    "bytes": [b"", b"x", b"\x00" * 32, b"[]", b'{"patient":"Q"}'],
}
COLUMNS = {
    ("audit", "seq"): "number", ("audit", "at"): "number", ("audit", "writer"): "text",
    ("audit", "who"): "text", ("audit", "what"): "text", ("audit", "subject"): "text",
    ("audit", "body"): "bytes", ("audit", "salt"): "bytes", ("audit", "detail"): "bytes",
    ("audit", "leaf"): "bytes", ("audit_head", "origin"): "text",
    ("audit_head", "size"): "number", ("audit_head", "frontier"): "bytes",
    ("audit_head", "signed_size"): "number", ("audit_head", "signed_frontier"): "bytes",
}  # fmt: skip
"""Every column of the two tables; values of every kind, on SQLite of other kinds as well."""


def change_of(chance: random.Random) -> tuple[str, list[Any]]:
    """A statement and its values."""
    number = chance.randrange(ENTRIES)
    if chance.random() < 0.25:
        return chance.choice(
            [
                ("DELETE FROM audit WHERE seq = ?", [number]),
                ("DELETE FROM audit WHERE seq >= ?", [number]),
                ("DELETE FROM audit WHERE seq < ?", [number + 1]),
                ("DELETE FROM audit_head WHERE size > ?", [0]),
                ("UPDATE audit SET seq = seq + ? WHERE seq > 30", [chance.choice([1, 50, -100])]),
                (
                    "INSERT INTO audit SELECT ?, ?, at, who, what, subject, body, salt, detail, "
                    "leaf FROM audit WHERE seq = 8",
                    [chance.choice(["main", "", "other"]), chance.choice([-5, ENTRIES, 900])],
                ),
            ]
        )
    (table, column), kind = chance.choice(list(COLUMNS.items()))
    if not ON_POSTGRES and chance.random() < 0.2:  # SQLite takes anything anywhere
        kind = chance.choice(list(VALUES))
    value = chance.choice(VALUES[kind])
    if table == "audit_head":
        return f"UPDATE audit_head SET {column} = ? WHERE size > 0", [value]
    return f"UPDATE audit SET {column} = ? WHERE seq = ?", [value, number]


def test_the_changes_reach_every_column(store: Store) -> None:
    from verifier.store import schema

    every = {(t.name, c.name) for t in (schema.audit, schema.audit_head) for c in t.columns}
    assert every - set(COLUMNS) == {("audit_head", "writer")}


def rows(store: Store) -> list[Any]:
    """All of both tables but salts of which the details are gone: they open nothing."""

    def read(reader: Any) -> list[Any]:
        run = reader._cursor.execute
        entries = run("SELECT * FROM audit ORDER BY writer, seq").fetchall()
        return [
            *[row if row[8] is not None else (*row[:7], *row[8:]) for row in entries],
            *run("SELECT * FROM audit_head ORDER BY writer").fetchall(),
        ]

    return list(store.read(read))


def test_a_thousand_changes_to_the_database(store: Store, folder: Path) -> None:
    """Each made for good, looked at as `verifier audit verify` does, and undone."""
    filled(store)
    store.checkpoint()
    original = rows(store)
    kept = store.read(lambda r: table_rows(r))
    chance = random.Random(6962)
    made = 0
    while made < CHANGES:
        sql, values = change_of(chance)
        if ON_POSTGRES:
            sql = sql.replace("?", "%s")
        try:
            store.write(lambda tx, s=sql, v=values: tx._cursor.execute(s, v) and None)
        except StoreError:
            continue  # the database itself refused
        if rows(store) == original:
            continue
        made += 1
        reports = store.verify_logs()
        assert any(report.findings for report in reports.values()) or (
            "detail" in sql and sum(r.without_detail for r in reports.values()) != 3
        ), (sql, values)
        store.write(lambda tx: put_back(tx, kept))
    assert rows(store) == original
    assert not any(report.findings for report in store.verify_logs().values())


def table_rows(reader: Any) -> dict[str, list[Any]]:
    return {
        table: reader._cursor.execute(f"SELECT * FROM {table}").fetchall()
        for table in ("audit", "audit_head")
    }


def put_back(tx: Any, kept: dict[str, list[Any]]) -> None:
    mark = "%s" if ON_POSTGRES else "?"
    for table, found in kept.items():
        tx._cursor.execute(f"DELETE FROM {table}")
        marks = ", ".join([mark] * len(found[0]))
        tx._cursor.executemany(f"INSERT INTO {table} VALUES ({marks})", found)
