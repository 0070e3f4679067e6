"""A cable that is cut: both ends still take the connection for open, and no packet arrives."""

import socket
from pathlib import Path

import pytest
from service.laboratory import END, START, eventually

from faults.cable import HERE, THERE, cable, can_be_laid
from faults.house import House, balance, traffic
from faults.lis import RawLis
from faults.model import Books

needs_root = pytest.mark.skipif(not can_be_laid(), reason="root may lay a cable, and needs ip")
SETTINGS = {
    "[destinations.lis]\n": f'[destinations.lis]\nhost = "{THERE}"\nconnect_seconds = 1\n',
    "[connections.chem]\n": f'[connections.chem]\nhost = "{HERE}"\nidle_seconds = 1\n'
    "max_connections = 3\n",
}


@needs_root
def test_cut_off_from_the_lis_and_from_senders(tmp_path: Path, campaign: int) -> None:
    """To the LIS everything goes again when the cable is mended. The places of senders that were
    cut off in the middle of a message are free when their time is over."""
    books = Books()
    with cable() as line:
        place = line.there(lambda: socket.create_server((THERE, 0)))
        with RawLis(lambda lis, n, connection: lis.behave_well(connection), lambda: place) as lis:
            house = House(tmp_path, lis.port, settings=SETTINGS, answer_seconds=0.5)
            house.start()
            with traffic(house, books, house.second):
                for round_number in range(1 + campaign // 20):
                    delivered = len(lis.received)
                    eventually(lambda d=delivered: len(lis.received) > d + 2, 60)
                    cut_off = [line.connect(house.chem) for _ in range(3)]
                    for number, sender in enumerate(cut_off):
                        sent = books.write(f"C{round_number}-{number}", "SP-CUT", "sodium", "140")
                        sender.sendall((START + sent.raw)[: 100 * number + 1])
                    line.cut()
                    connections = lis.connections
                    taken = books.acknowledged
                    eventually(lambda t=taken: books.acknowledged > t + 3, 60)
                    eventually(lambda: comes_in(house, books))
                    line.mend()
                    eventually(lambda c=connections: lis.connections > c, 60)
                    for sender in cut_off:
                        sender.close()
            balance(house, books, lis)


def comes_in(house: House, books: Books) -> bool:
    """Whether somebody on this side of the cable finds a place."""
    sent = books.write(f"N{len(books.sent)}", f"SP-N{len(books.sent)}", "sodium", "140")
    try:
        with socket.create_connection((HERE, house.chem), timeout=20) as sender:
            sender.sendall(START + sent.raw + END)
            answer = sender.recv(65536)
    except OSError:
        return False
    if answer:
        sent.answers.append(answer.removeprefix(START).removesuffix(END))
    return sent.acknowledged
