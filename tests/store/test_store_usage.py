"""Cases with all their decisions, as what rules did is counted from."""

from datetime import timedelta

from store_makers import MORNING, add_case, decision, entry, record, row, verdict

from verifier.store import Store


def test_histories_come_newest_first_in_pages_with_decisions_and_times(store: Store) -> None:
    def write(number: int) -> int:
        opened = MORNING + timedelta(hours=number)
        stored = record(entry(text=f"6.{number}"), specimen=f"S{number}", opened=opened)
        return store.write(lambda tx: add_case(tx, stored, decision(verdict()), row()))

    ids = [write(number) for number in range(5)]
    settled = record(entry(text="6.3", state="released"), specimen="S3", opened=MORNING)
    store.write(lambda tx: tx.save_case(ids[3], settled, decision()))
    store.write(lambda tx: tx.add_decision(ids[3], None, decision()))

    first = store.read(lambda r: r.histories(MORNING + timedelta(hours=1), most=3))
    assert [item.case_id for item in first] == [ids[4], ids[3], ids[2]]
    rest = store.read(lambda r: r.histories(MORNING + timedelta(hours=1), first[-1].case_id, 3))
    assert [item.case_id for item in rest] == [ids[1]]
    assert not store.read(lambda r: r.histories(MORNING, ids[0]))
    assert [len(item.decisions) for item in first] == [1, 2, 1]
    assert first[1].decisions[0].results[0].outcome == "hold"
    assert set(first[1].settled) == {0}
    assert not first[0].settled
    assert first[0].record.entries[0].observation.text == "6.4"
