"""What people do reaches a receiver over real sockets, as written and in order."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from databases import database_url

from service.bench import ANN, PAT, obx_of
from service.laboratory import Laboratory, Lis, Sender, ack_for, eventually, result_message
from verifier import clock, settings
from verifier.rulefiles import load_program
from verifier.service import actions, asking, correcting
from verifier.service.judging import Judge
from verifier.service.settling import Words
from verifier.store.store import Store


def act(laboratory: Laboratory, specimen: str, action: Callable[..., None], *args: Any) -> None:
    """Do something beside the running service, as `verifier` commands do."""
    site = settings.load(laboratory.config)
    judge = Judge(site, load_program(site.rules, site.parameters, site.units))
    with Store.open(database_url(laboratory.folder), checkpoints=site.checkpoints) as store:
        case = store.read(lambda reader: reader.case_by_specimen(specimen))
        assert case
        who = PAT if action in (correcting.correct, correcting.withdraw) else ANN
        store.write(lambda tx: action(tx, judge, who, case.id, *args, clock.now()))


def release(*args: Any) -> None:
    actions.release(*args, words=Words(("CHECKED",), "FITS"))  # type: ignore[misc]


def specimen_of(message: bytes) -> str:
    return message.split(b"\rOBR|1|")[1].split(b"|")[0].decode()


def test_acts_arrive_as_written_and_in_their_order(tmp_path: Path) -> None:
    with Lis() as lis, Lis(lambda n, message: ack_for(message)) as analyzer:
        laboratory = Laboratory(tmp_path, lis.port, held="send unverified")
        text = laboratory.config.read_text()
        text = text.replace(
            "[destinations.lis]", f"[destinations.back]\nport = {analyzer.port}\n[destinations.lis]"
        )
        text = text.replace('["lis"]', '["lis"]\nrequests = "back"', 1)
        laboratory.config.write_text(text + "\n[acts]\nundo_seconds = 2\n")
        laboratory.start()
        try:
            with Sender(laboratory.chem) as sender:
                sender.send(result_message("M1", results={"potassium": "6.9"}))
                eventually(lambda: len(lis.received) == 1)
                act(laboratory, "S1", release, [0], "")
                act(laboratory, "S1", correcting.undo)
                act(laboratory, "S1", release, [0], "by hand")
                sender.send(result_message("M2", results={"sodium": "141"}))
                sender.send(result_message("M3", specimen="S2", results={"sodium": "142"}))
            eventually(lambda: len(lis.received) == 4)
            act(laboratory, "S1", correcting.correct, 0, "6.4", "digits swapped")
            with Sender(laboratory.chem) as sender:
                sender.send(result_message("M4", specimen="S3", results={"potassium": "7.0"}))
                eventually(lambda: len(lis.received) == 6)
            act(laboratory, "S3", asking.ask, "rerun", [0], "")
            act(laboratory, "S3", actions.reject, [0], "clotted")
            eventually(lambda: len(lis.received) == 7)
            eventually(lambda: analyzer.received)
        finally:
            laboratory.stop()
    told = [(specimen_of(message), *obx_of(message)[0]) for message in lis.received]
    assert told == [
        ("S1", "2823-3", "6.9", "R"),
        ("S2", "2951-2", "142", "F"),  # past what may still be taken back
        ("S1", "2823-3", "6.9", "F"),
        ("S1", "2951-2", "141", "F"),  # the same specimen waits for it
        ("S1", "2823-3", "6.4", "C"),
        ("S3", "2823-3", "7.0", "R"),
        ("S3", "2823-3", '""', "X"),
    ]
    assert b"NTE|1|L|Measured again and confirmed.\rNTE|2|L|by hand\r" in lis.received[2]
    assert b"NTE|1|L|digits swapped\r" in lis.received[4]
    (order,) = analyzer.received
    assert b"|OML^O21^OML_O21|" in order
    assert b"TCD|2823-3^Potassium^LN|||||||R^rerun^HL70389" in order
