"""Databases written by the code of earlier times are brought up to date and go on.

`tests/store/past/` holds one per earlier schema: made by running the service as it was when that
schema was the newest, with a person, released, held and waiting results, a refused message, a
suspension, and a signed log (invented data only). On PostgreSQL each is backed up as it is and
restored there.
"""

import zipfile
from pathlib import Path

import pytest
from databases import ON_POSTGRES, database_url

from service.laboratory import (
    Laboratory,
    Lis,
    Sender,
    control_id_of,
    eventually,
    result_message,
    running,
)
from verifier import clock
from verifier.service import actions
from verifier.service.line import Line
from verifier.service.rulestart import start_rules
from verifier.settings import load
from verifier.store import Store, migrate, sign_in
from verifier.store.backup import back_up, restore

PAST = sorted((Path(__file__).parents[1] / "store" / "past").glob("*.zip"))
M1 = result_message(
    "M1", specimen="S1", patient="P1", results={"sodium": "140", "potassium": "4.4"}
)


def unpacked(past: Path, folder: Path) -> Path:
    """Put a past database where the laboratory of the test has its own; return that folder."""
    was = folder if not ON_POSTGRES else folder / "was"
    with zipfile.ZipFile(past) as archive:
        archive.extractall(was)
    if ON_POSTGRES:
        file = folder / "past.zip"
        url = f"sqlite:///{was / 'verifier.db'}"
        back_up(url, was / "checkpoints", file, clock.now(), quiet)
        restore(file, database_url(folder), folder / "checkpoints", quiet)
    return folder


def quiet(done: int, every: int) -> None:
    """No progress is shown."""


NEVER_THE_NEWEST = {"0012"}  # it came in one step with 0013, so no service ever ran on it


def test_there_is_one_of_every_earlier_schema() -> None:
    versions = Path(migrate.__file__).parent / "migrations" / "versions"
    released = {path.name[:4] for path in versions.glob("0*.py")} - NEVER_THE_NEWEST
    assert {past.stem for past in PAST} >= released - {max(released)}
    assert {past.stem for past in PAST} <= released


@pytest.mark.parametrize("past", PAST, ids=lambda past: past.stem)
def test_it_is_brought_up_to_date_and_goes_on(past: Path, tmp_path: Path) -> None:
    folder = unpacked(past, tmp_path)
    with Lis() as lis, running(folder, lis.port) as laboratory:
        eventually(lambda: [m for m in lis.received if b"S3" in m])  # it had to leave then
        with Sender(laboratory.chem) as sender:
            assert b"MSA|AA|M1" in sender.send(M1), "answered from the record"
            known = result_message("M6", specimen="S4", patient="P1", results={"potassium": "4.0"})
            assert b"MSA|AA|M6" in sender.send(known)
            assert b"MSA|AA|M7" in sender.send(result_message("M7", specimen="S7"))
        eventually(lambda: len(lis.received) >= 3)
        sent = {control_id_of(m) for m in lis.received}
        assert not [m for m in lis.received if b"|S1|" in m], "what was sent then is not sent again"
        look_into(laboratory)
        eventually(lambda: [m for m in lis.received if b"|S2|" in m])
        assert len({control_id_of(m) for m in lis.received}) == len(sent) + 1
        laboratory.stop()
        done = laboratory.command("audit", "verify")
        assert done.returncode == 0, done.stdout + done.stderr
        assert "nothing was altered" in done.stdout
        assert "came after the last checkpoint" not in done.stdout, "and signed to the end"


def look_into(laboratory: Laboratory) -> None:
    """What was stored then can be read and worked on."""
    folder = laboratory.folder
    with Store.open(database_url(folder), checkpoints=folder / "checkpoints") as store:
        queue = {row.specimen: row for row in store.read(lambda r: r.queue())}
        assert set(queue) == {"S2", "S4", "S5"}
        assert len(store.read(lambda r: r.receipts("ANALYZER", "LAB", "M1"))) == 1
        old = store.read(lambda r: r.case_by_specimen("S4"))
        assert old is not None
        assert [entry.state for entry in old.record.entries] == ["open", "released"]
        decisions = store.read(lambda r: r.decisions(old.id))
        assert len(decisions) == 2
        facts = [store.read(lambda r, d=one.id: r.facts(d)) for one in decisions]
        assert all(one is not None and one.specimen.key == "S4" for one in facts)
        assert [one.sent_text for one in facts[0].results] == ["165"]
        ann = sign_in(store, "ann", "correct horse battery")
        held = store.read(lambda r: r.case_by_specimen("S2"))
        assert held is not None
        said = [entry.what for entry in store.read(lambda r: r.audit_for_case(held.id))]
        assert said, "its history of then"
        soon = laboratory.config.read_text() + "\n[acts]\nundo_seconds = 1\n"
        laboratory.config.write_text(soon)
        settings = load(laboratory.config)
        rules = start_rules(store, settings, clock.now)
        judge = Line(settings, rules.program, rules.version).judge
        store.write(lambda tx: actions.release(tx, judge, ann, held.id, [0], "called", clock.now()))
