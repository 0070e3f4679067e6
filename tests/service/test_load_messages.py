"""What `verifier bench` sends is what it says: every result of it leaves by the shipped rules."""

from datetime import UTC, datetime
from pathlib import Path

from verifier.bench.measure import prepared
from verifier.bench.servers import write_configuration
from verifier.rulefiles import load_program, shipped_rules
from verifier.service.line import Line
from verifier.settings import load
from verifier.store import Store


def test_every_result_of_the_load_leaves(tmp_path: Path) -> None:
    path, _ = write_configuration(tmp_path, shipped_rules())
    settings = load(path)
    line = Line(settings, load_program(settings.rules, settings.parameters, settings.units))
    with Store.open(settings.database, checkpoints=settings.checkpoints) as store:
        for raw in prepared(30):
            store.write(lambda tx, raw=raw: line.take(tx, "bench", raw, datetime.now(UTC)))
        assert not store.read(lambda reader: reader.queue())
        assert len(store.read(lambda reader: reader.outbox("nobody"))) == 60
