"""Several nodes on one PostgreSQL: the one that sends to the LIS is killed, paused and cut off from
the database while traffic runs. The model is the same, with the order of each specimen."""

from pathlib import Path

from databases import database_url, of_postgres
from service.laboratory import Lis, eventually
from service.nodes import Node, holder, nodes

from faults.house import Analyzer, sending
from faults.model import Books, judge
from verifier.store.store import Store

pytestmark = of_postgres


def kill(node: Node) -> None:
    node.laboratory.kill()


def start(node: Node) -> None:
    node.laboratory.start()


HARMS = [
    (kill, start),
    (Node.pause, Node.go_on),
    (lambda node: node.cable.cut(), lambda node: node.cable.mend()),
]


def test_the_node_that_sends_is_harmed(tmp_path: Path, campaign: int) -> None:
    books = Books()
    with Lis() as lis, nodes(tmp_path, lis.port, ["a", "b", "c"]) as made:
        url = database_url(tmp_path)
        ports = [node.port for node in made.values()]
        analyzers = [
            Analyzer(name, books, *ports[at:], *ports[:at], patience=4)
            for at, name in enumerate("ABC")
        ]
        with sending(analyzers):
            for _ in range(1 + campaign // 10):
                for harm, mend in HARMS:
                    more(books)
                    node = made[eventually(lambda: holder(url))]
                    harm(node)
                    eventually(lambda n=node: holder(url) not in ("", n.laboratory.node), 30)
                    more(books)
                    mend(node)
            more(books)
        with Store.open(url, checkpoints=tmp_path / "checkpoints", writable=False) as store:
            eventually(lambda: not store.read(lambda r: r.outbox("lis")), 60)
            problems = store.read(lambda r: judge(r, books, list(lis.received), nodes=3))
            for node in made.values():
                node.laboratory.stop()
            for report in store.verify_logs().values():
                problems += report.findings
        assert not problems, "\n".join(problems[:30])


def more(books: Books) -> None:
    before = books.acknowledged
    eventually(lambda: books.acknowledged > before + 9, 90)
