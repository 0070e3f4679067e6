"""The named baseline: a straightforward listener on hl7apy and sqlite3, one message at a time.

What somebody would write in an afternoon: parse with the library, compare with limits in plain
Python, insert row by row, commit, build the acknowledgement with the library.
"""

import socketserver
import sqlite3
import sys
from pathlib import Path

from hl7apy.core import Message
from hl7apy.parser import parse_message

START, END = b"\x0b", b"\x1c\r"
LIMITS = {
    "2951-2": (120.0, 158.0),
    "2823-3": (2.8, 6.2),
    "2075-0": (75.0, 126.0),
    "1963-8": (11.0, 40.0),
    "14749-6": (2.6, 26.9),
    "2000-8": (1.65, 3.22),
}
SCHEMA = """
CREATE TABLE IF NOT EXISTS inbox (control_id TEXT, raw TEXT);
CREATE TABLE IF NOT EXISTS result (
    control_id TEXT, patient TEXT, specimen TEXT, code TEXT, value TEXT, unit TEXT, decision TEXT
);
CREATE TABLE IF NOT EXISTS outbox (control_id TEXT, raw TEXT);
"""


def open_database(path: Path) -> sqlite3.Connection:
    """Open (and make) the baseline's database, as durable as ours: WAL, synchronous=FULL."""
    database = sqlite3.connect(path)
    database.execute("PRAGMA journal_mode=WAL")
    database.execute("PRAGMA synchronous=FULL")
    database.executescript(SCHEMA)
    return database


def parse(raw: bytes) -> list[tuple[str, ...]]:
    """Return control id, patient, specimen, code, value and unit of every OBX of a message."""
    message = parse_message(raw.decode("ascii"), find_groups=False)
    control_id = message.msh.msh_10.value
    patient = specimen = ""
    rows: list[tuple[str, ...]] = []
    for segment in message.children:
        if segment.name == "PID":
            patient = segment.pid_3.pid_3_1.value
        elif segment.name == "OBR":
            specimen = segment.obr_3.value
        elif segment.name == "OBX":
            code = segment.obx_3.obx_3_1.value
            rows.append(
                (control_id, patient, specimen, code, segment.obx_5.value, segment.obx_6.value)
            )
    return rows


def acknowledge(control_id: str) -> bytes:
    """Build an AA with the library."""
    ack = Message("ACK", version="2.5.1")
    ack.msh.msh_9 = "ACK^R01^ACK"
    ack.msh.msh_10 = control_id
    ack.msa.msa_1 = "AA"
    ack.msa.msa_2 = control_id
    return str(ack.to_er7()).encode("ascii")


def take(database: sqlite3.Connection, raw: bytes) -> bytes:
    """Parse, judge, store, commit, acknowledge one message."""
    rows = parse(raw)
    control_id = rows[0][0]
    text = raw.decode("ascii")
    database.execute("INSERT INTO inbox VALUES (?, ?)", (control_id, text))
    for row in rows:
        low, high = LIMITS.get(row[3], (0.0, 1e9))
        decision = "release" if low <= float(row[4]) <= high else "hold"
        database.execute("INSERT INTO result VALUES (?, ?, ?, ?, ?, ?, ?)", (*row, decision))
    database.execute("INSERT INTO outbox VALUES (?, ?)", (control_id, text))
    database.commit()
    return acknowledge(control_id)


class Handler(socketserver.BaseRequestHandler):
    """Reads MLLP blocks from one connection and answers each."""

    def handle(self) -> None:
        """Serve one connection until the peer closes it."""
        database = open_database(self.server.path)  # type: ignore[attr-defined]
        buffer = b""
        while chunk := self.request.recv(65536):
            buffer += chunk
            while END in buffer:
                block, buffer = buffer.split(END, 1)
                self.request.sendall(START + take(database, block.lstrip(START)) + END)


def main(arguments: list[str]) -> None:
    """Serve on a free loopback port, printed on the first line; `arguments` is the database."""
    with socketserver.TCPServer(("127.0.0.1", 0), Handler) as server:
        server.path = Path(arguments[0])  # type: ignore[attr-defined]
        sys.stdout.write(f"{server.server_address[1]}\n")
        sys.stdout.flush()
        server.serve_forever()


if __name__ == "__main__":
    main(sys.argv[1:])
