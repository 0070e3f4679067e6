"""The service as a process, with real sockets and a client nobody here wrote."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from service.laboratory import (
    END,
    START,
    Laboratory,
    Lis,
    Sender,
    control_id_of,
    eventually,
    result_message,
    running,
)


def mllp_send(port: int, file: Path) -> str:
    """python-hl7's command line client (it sends no CR before the end of the block)."""
    client = Path(sys.executable).with_name("mllp_send")
    run = subprocess.run(
        [client, "--loose", "--file", file, "--port", str(port), "127.0.0.1"],
        capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    return run.stdout


def test_a_result_goes_from_an_independent_client_to_the_lis(tmp_path: Path) -> None:
    file = tmp_path / "message.hl7"
    file.write_bytes(result_message("M1"))
    with Lis() as lis, running(tmp_path, lis.port) as laboratory:
        assert "MSA|AA|M1" in mllp_send(laboratory.chem, file)
        eventually(lambda: lis.received)
        assert b"OBX|1|NM|2951-2^Sodium^LN||140|mmol/L|||||F" in lis.received[0]
        assert b"|ORU^R01^ORU_R01|" in lis.received[0]


def test_a_held_result_does_not_leave(tmp_path: Path) -> None:
    with Lis() as lis, running(tmp_path, lis.port) as laboratory:
        with Sender(laboratory.chem) as sender:
            results = {"sodium": "140", "potassium": "6.9"}
            assert b"MSA|AA|M1" in sender.send(result_message("M1", results=results))
            eventually(lambda: lis.received)
        assert b"2951-2" in lis.received[0]
        assert b"2823-3" not in b"".join(lis.received)


def test_the_site_sets_a_parameter_of_the_rules(tmp_path: Path) -> None:
    with Lis() as lis:
        laboratory = Laboratory(tmp_path, lis.port)
        rules = tmp_path / "rules" / "test.rules"
        named = 'parameter top = 6.2 mmol/L  from "invented"\n' + rules.read_text()
        rules.write_text(named.replace("above 6.2", "above top"))
        told = '[parameters]\ntop = "7.0 mmol/L"\n[destinations.lis]'
        laboratory.config.write_text(
            laboratory.config.read_text().replace("[destinations.lis]", told)
        )
        laboratory.start()
        try:
            with Sender(laboratory.chem) as sender:
                for name, value in (("M1", "6.9"), ("M2", "7.1")):
                    sender.send(result_message(name, results={"potassium": value}))
                eventually(lambda: lis.received)
        finally:
            laboratory.stop()
        sent = b"".join(lis.received)
        assert b"|6.9|" in sent
        assert b"|7.1|" not in sent


def test_a_resend_gets_the_same_bytes_and_has_no_second_effect(tmp_path: Path) -> None:
    with Lis() as lis, running(tmp_path, lis.port) as laboratory:
        with Sender(laboratory.chem) as sender:
            first = sender.send(result_message("M1"))
        eventually(lambda: lis.received)
        laboratory.kill()
        laboratory.start()
        with Sender(laboratory.chem) as sender:
            assert sender.send(result_message("M1")) == first
            sender.send(result_message("M2", specimen="S2"))
        eventually(lambda: any(b"S2" in message for message in lis.received))
        assert len({control_id_of(message) for message in lis.received}) == 2


def test_answers_come_in_order_for_several_messages_in_one_write(tmp_path: Path) -> None:
    with Lis() as lis, running(tmp_path, lis.port) as laboratory:
        with Sender(laboratory.chem) as sender:
            frames = [START + result_message(f"M{n}", specimen=f"S{n}") + END for n in range(1, 6)]
            sender.write(b"".join(frames))
            answers = [sender.answer() for _ in frames]
        assert [f"MSA|AA|M{n}".encode() in answers[n - 1] for n in range(1, 6)] == [True] * 5


def test_what_is_no_result_is_refused_with_err_and_the_connection_goes_on(tmp_path: Path) -> None:
    admission = b"MSH|^~\\&|A|B|C|D|2026||ADT^A01|X1|P|2.5.1\rEVN|A01\rPID|1\r"
    with (
        Lis() as lis,
        running(tmp_path, lis.port) as laboratory,
        Sender(laboratory.chem) as sender,
    ):
        answer = sender.send(admission)
        assert b"MSA|AR|X1" in answer
        assert re.search(rb"\rERR\|\|MSH\^1\^9[^|]*\|200\^", answer)
        assert b"MSA|AA|M1" in sender.send(result_message("M1"))


def test_suspended_by_another_process_holds_from_the_next_message_on(tmp_path: Path) -> None:
    with Lis() as lis, running(tmp_path, lis.port) as laboratory:
        with Sender(laboratory.chem) as sender:
            assert laboratory.command("suspend", "--reason", "new lamp").returncode == 0
            sender.send(result_message("M1", specimen="HELD"))
            assert laboratory.command("resume").returncode == 0
            sender.send(result_message("M2", specimen="FREE"))
        eventually(lambda: any(b"FREE" in message for message in lis.received))
        assert b"HELD" not in b"".join(lis.received)


def test_a_misspelt_suspension_is_refused(tmp_path: Path) -> None:
    laboratory = Laboratory(tmp_path, 1)
    for which, name, meant in (
        ("--test", "potasium", "potassium"),
        ("--connection", "che", "chem"),
    ):
        run = laboratory.command("suspend", which, name, "--reason", "new lamp")
        assert run.returncode == 2
        assert f"did you mean '{meant}'?" in run.stderr
    assert "nothing was suspended" in laboratory.command("resume").stdout


def test_a_stop_finishes_and_a_restart_goes_on_with_the_outbox(tmp_path: Path) -> None:
    with Lis() as lis:
        port = lis.port
    laboratory = Laboratory(tmp_path, port)  # nobody listens there now
    laboratory.start()
    with Sender(laboratory.chem) as sender:
        assert b"MSA|AA|M1" in sender.send(result_message("M1"))
    laboratory.stop()
    with Lis(port=port) as lis:
        laboratory.start()
        eventually(lambda: lis.received)
        laboratory.stop()
        assert len(lis.received) == 1


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("without_state", "without_stat"), "quality.without_stat"),
        (('rules = "rules"', 'rules = "nowhere"'), "nowhere"),
        (("[destinations.lis]", 'tests = { NA = "sodum" }\n[destinations.lis]'), "'sodium'?"),
        (("[destinations.lis]", '[parameters]\ntop = "7"\n[destinations.lis]'), "parameter 'top'"),
        (("[destinations.lis]", 'units = { mmol = "mmmol" }\n[destinations.lis]'), "'mmmol'"),
    ],
)
def test_a_bad_configuration_refuses_to_start(
    tmp_path: Path, change: tuple[str, str], said: str
) -> None:
    laboratory = Laboratory(tmp_path, 1)
    laboratory.config.write_text(laboratory.config.read_text().replace(*change))
    run = laboratory.command("serve")
    assert run.returncode == 2
    assert said in run.stderr
    assert "Traceback" not in run.stderr


def test_a_port_in_use_is_a_sentence(tmp_path: Path) -> None:
    with Lis() as taken:
        laboratory = Laboratory(tmp_path, 1, chem=taken.port)
        run = laboratory.command("serve")
    assert run.returncode == 2
    assert "can not listen on 127.0.0.1" in run.stderr
