"""Makes one of the databases under tests/store/past/ with the code of now, for the time when it is
code of the past: ``PYTHONPATH=tests python -m service.make_past tests/store/past/NNNN.zip``."""

import re
import sqlite3
import sys
import tempfile
import zipfile
from contextlib import closing
from pathlib import Path

from service.laboratory import Laboratory, Lis, Sender, eventually, free_port, result_message


def work(laboratory: Laboratory, lis: Lis) -> None:
    """Released, held, refused, suspended; and at the end one result that can not leave."""
    password = laboratory.folder / "password"
    password.write_text("correct horse battery\n")
    laboratory.start()
    laboratory.command(
        "user", "add", "ann", "--role", "technologist", "--password-file", str(password)
    )
    with Sender(laboratory.chem) as sender:
        both = {"sodium": "140", "potassium": "4.4"}
        sender.send(result_message("M1", specimen="S1", patient="P1", results=both))
        sender.send(result_message("M2", specimen="S2", patient="P2", results={"potassium": "7.1"}))
        sender.send(result_message("M4", specimen="S4", patient="P1", results={"sodium": "165"}))
        sender.send(re.sub(rb"PID.*", b"OBX|1\r", result_message("M9"), flags=re.DOTALL))
        eventually(lambda: lis.received)
        laboratory.command("suspend", "--reason", "leak in room 3")
        sender.send(result_message("M5", specimen="S5", patient="P5", results={"sodium": "141"}))
        laboratory.command("resume")
    laboratory.kill()
    old, new = f"port = {lis.port}", f"port = {free_port()}"
    laboratory.config.write_text(laboratory.config.read_text().replace(old, new))
    laboratory.start()
    with Sender(laboratory.chem) as sender:
        sender.send(result_message("M3", specimen="S3", patient="P3", results={"sodium": "139"}))
    laboratory.stop()


def pack(folder: Path, target: Path) -> None:
    """Put the database, its checkpoints and its key into one file."""
    with closing(sqlite3.connect(folder / "verifier.db")) as database:
        database.execute("PRAGMA journal_mode=DELETE")
        database.execute("VACUUM")
    signed = sorted((folder / "checkpoints").iterdir())
    with zipfile.ZipFile(target, "x", zipfile.ZIP_LZMA) as archive:
        for path in (folder / "verifier.db", folder / "checkpoints.key", *signed):
            archive.write(path, str(path.relative_to(folder)))


def main(target: Path) -> None:
    """Make it in a folder of its own."""
    with tempfile.TemporaryDirectory() as name, Lis() as lis:
        work(Laboratory(Path(name), lis.port), lis)
        pack(Path(name), target)
    print(f"{target}: {target.stat().st_size} bytes")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
