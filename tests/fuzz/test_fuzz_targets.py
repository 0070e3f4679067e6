"""A short run of every target; what longer ones found stands below as tests of its own.

No source: what must never happen is an exception that the code does not promise.
"""

from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fuzz.mutate import mutated
from fuzz.targets import TARGETS, seeds
from fuzz.webtarget import web_target
from verifier.language import check

RUNS = {"rules": 40}


@pytest.mark.parametrize("name", sorted(TARGETS))
def test_changed_messages_raise_nothing_unforeseen(name: str) -> None:
    @settings(max_examples=RUNS.get(name, 150), deadline=None)
    @given(st.integers(min_value=0))
    def run(seed: int) -> None:
        TARGETS[name](mutated(Random(seed), seeds(name)))

    run()


@pytest.mark.parametrize("name", sorted(TARGETS))
@settings(max_examples=50, deadline=None)
@given(data=st.binary(max_size=300))
def test_any_bytes_raise_nothing_unforeseen(name: str, data: bytes) -> None:
    TARGETS[name](data)


def test_a_guarantee_alone_is_no_rule_set() -> None:
    text = (
        'guarantee "none"\n  from "invented for this test"\n'
        "  never release when result is outside possible\n"
    )
    checked = check({"a.rules": text})
    assert checked.program is None
    assert "R500" in {diagnostic.code for diagnostic in checked.diagnostics}


def test_any_request_is_answered(tmp_path: Path) -> None:
    with web_target(tmp_path) as target:
        random = Random(7)
        for _ in range(300):
            target(mutated(random, seeds("reader"), 400))
        assert len(target.codes) > 3, "some are fine, some refused"
        assert target.codes.get(200, 0) > 30
        for path in ("/case/", "/messages/", "/outgoing/", "/rules/version/"):
            assert target.ask("GET", path + "9" * 20) in {404, 409}
