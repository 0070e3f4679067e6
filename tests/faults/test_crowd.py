"""Many idle connections, and more than there are places for: a sender beside them is served, and
what it costs is reported."""

import contextlib
import os
import resource
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from service.laboratory import Lis, Sender, ack_for, eventually

from faults.house import House, balance, house_and_lis
from faults.model import Books

IDLE, MOST = 300, 10_000
ASKED = 50  # messages of the sender beside them


def memory(house: House) -> float:
    """Return the resident memory of the service in MB."""
    status = Path(f"/proc/{house.pid}/status").read_text()
    return int(status.split("VmRSS:")[1].split()[0]) / 1024


def files_of(house: House) -> int:
    return len(os.listdir(f"/proc/{house.pid}/fd"))


@contextmanager
def may_open(files: int) -> Iterator[None]:
    """Let this process and those it starts open so many files."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, files), max(hard, files)))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def answered(house: House, books: Books, name: str) -> list[float]:
    """Send messages one after the other; return how many milliseconds each answer took."""
    taken = []
    with Sender(house.chem) as sender:
        for number in range(ASKED):
            sent = books.write(f"{name}{number}", f"SP-{name}{number}", "sodium", "140")
            begun = time.perf_counter()
            sent.answers.append(sender.send(sent.raw))
            taken.append((time.perf_counter() - begun) * 1000)
    return sorted(taken)


def told(what: str, taken: list[float], house: House) -> str:
    return (
        f"{what}: {memory(house):.0f} MB, answers in {taken[len(taken) // 2]:.1f} ms (median), "
        f"{taken[-1]:.1f} ms (slowest of {len(taken)})"
    )


def test_idle_connections(tmp_path: Path, campaign: int) -> None:
    count = min(campaign, MOST) or IDLE
    places = {"[connections.chem]\n": f"[connections.chem]\nmax_connections = {count + 10}\n"}
    books = Books()
    with (
        may_open(count + 500),
        house_and_lis(tmp_path, settings=places) as (house, lis),
        contextlib.ExitStack() as crowd,
    ):
        house.start()
        resource.prlimit(house.pid, resource.RLIMIT_NOFILE, (count + 500, count + 500))
        before = files_of(house)
        report = [told("alone", answered(house, books, "A"), house)]
        for _ in range(count):
            crowd.enter_context(socket.create_connection(("127.0.0.1", house.chem)))
        eventually(lambda: files_of(house) >= before + count, 120)
        report.append(told(f"beside {count} idle", answered(house, books, "B"), house))
        crowd.close()
        eventually(lambda: files_of(house) <= before + 5, 120)
        report.append(told("after them", answered(house, books, "C"), house))
        print("\n".join(report))
        balance(house, books, lis)
    assert books.acknowledged == 3 * ASKED


def test_no_file_can_be_opened_any_more(tmp_path: Path) -> None:
    """What can not be kept without opening one gets no answer; when there is room again everything
    goes on by itself."""
    books = Books()
    with Lis(lambda n, message: ack_for(message)) as lis, contextlib.ExitStack() as crowd:
        house = House(tmp_path, lis.port)
        house.start()
        sender = crowd.enter_context(Sender(house.chem))
        sent = books.write("FIRST", "SP-FIRST", "sodium", "140")
        sent.answers.append(sender.send(sent.raw))
        soft, hard = resource.prlimit(house.pid, resource.RLIMIT_NOFILE)
        resource.prlimit(house.pid, resource.RLIMIT_NOFILE, (files_of(house) + 5, hard))
        others = [crowd.enter_context(Sender(house.chem)) for _ in range(30)]
        time.sleep(1.5)  # it tries again every second to take them in
        for number in range(5):
            sent = books.write(f"M{number}", f"SP-M{number}", "sodium", "140")
            with contextlib.suppress(ConnectionError):
                sent.answers.append(sender.send(sent.raw))
        for other in others:
            other.close()
        resource.prlimit(house.pid, resource.RLIMIT_NOFILE, (soft, hard))
        with Sender(house.chem) as late:
            for sent in list(books.sent.values()):
                sent.answers.append(late.send(sent.raw))
        balance(house, books, lis)
    assert books.acknowledged == len(books.sent)
    log = (tmp_path / "service.log").read_text()
    assert 1 <= log.count("accept() out of system resource") <= 3, "the log is not flooded"
