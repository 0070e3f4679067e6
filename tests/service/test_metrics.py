"""Metrics, health and readiness of a real service, read as a scraper would.

The text is read with the parser of prometheus-client, the reference reader of the exposition
format 0.0.4; the names of the process metrics are those Prometheus documents for client libraries.
"""

import re
from pathlib import Path

import httpx
from prometheus_client.parser import text_string_to_metric_families

from service.laboratory import Lis, Sender, eventually, result_message, running

Samples = dict[tuple[str, frozenset[tuple[str, str]]], float]


def samples_of(text: str) -> Samples:
    return {
        (sample.name, frozenset(sample.labels.items())): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def read(samples: Samples, name: str, **labels: str) -> float:
    return samples[name, frozenset(labels.items())]


def test_a_service_tells_what_it_does(tmp_path: Path) -> None:
    with Lis() as lis, running(tmp_path, lis.port) as house:
        web = httpx.Client(base_url=f"http://127.0.0.1:{house.web}", trust_env=False)
        with web, Sender(house.chem) as sender:
            assert web.get("/healthz").text == "ok\n"
            ready = web.get("/readyz")
            assert (ready.status_code, ready.text) == (200, "ready\n")
            first = result_message("M1", results={"sodium": "140", "potassium": "6.9"})
            sender.send(first)
            sender.send(first)  # a resend
            sender.send(first.replace(b"ORU^R01^ORU_R01", b"SIU^S12"))
            eventually(lambda: lis.received)
            answer = web.get("/metrics")
            assert answer.headers["content-type"].startswith("text/plain; version=0.0.4")
            text = answer.text
            found = samples_of(text)
            of_chem = {"connection": "chem"}
            for outcome in ("accepted", "resend", "rejected"):
                assert read(found, "verifier_messages_total", outcome=outcome, **of_chem) == 1
            assert read(found, "verifier_results_decided_total", outcome="release") == 1
            assert read(found, "verifier_results_decided_total", outcome="hold") == 1
            assert read(found, "verifier_hold_reasons_total", rule="critical") == 1
            delays = "verifier_acknowledgement_seconds"
            assert read(found, f"{delays}_count", **of_chem) == 3
            assert read(found, f"{delays}_bucket", le="+Inf", **of_chem) == 3
            assert read(found, f"{delays}_sum", **of_chem) > 0
            assert read(found, f"{delays}_count", connection="second") == 0
            assert read(found, "verifier_open_connections", **of_chem) == 1
            assert read(found, "verifier_listening", connection="second") == 1
            assert read(found, "verifier_queue_specimens", state="held") == 1
            assert read(found, "verifier_queue_oldest_seconds") >= 0
            assert read(found, "verifier_audit_entries") >= 4
            assert read(found, "verifier_database_errors_total", kind="write") == 0
            assert read(found, "verifier_rules_info", version="1") == 1
            # As the system itself says it, within a half: memory moves while it is read.
            status = Path(f"/proc/{house.process.pid}/status").read_text()
            kilobytes = int(re.search(r"VmRSS:\s+(\d+)", status)[1])  # type: ignore[index]
            ratio = read(found, "process_resident_memory_bytes") / (kilobytes * 1024)
            assert 0.5 < ratio < 2
            for secret in ("Test^Patient", "Patient", "P1", "S1", "19700101", "140"):
                assert not re.search(rf'"{secret}"', text), "a label names a patient"


def test_the_outbox_of_a_destination_that_is_down(tmp_path: Path) -> None:
    with Lis(behave=lambda n, m: None) as lis, running(tmp_path, lis.port) as house:
        with Sender(house.chem) as sender:
            sender.send(result_message("M1"))
        web = httpx.Client(base_url=f"http://127.0.0.1:{house.web}", trust_env=False)
        with web:
            found = samples_of(web.get("/metrics").text)
            assert read(found, "verifier_outbox_messages", destination="lis", state="waiting") == 1
            assert read(found, "verifier_outbox_oldest_seconds", destination="lis") >= 0
            assert read(found, "verifier_open_connections", connection="chem") in (0, 1)
