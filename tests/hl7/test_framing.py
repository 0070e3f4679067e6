"""Framing: the answer must not depend on how the bytes arrive.

The block is that of the HL7 Implementation Guide, appendix C, section C.4.2.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.hl7.framing import END, START, Fault, Frame, Framer, wrap

LIMIT = 12


def all_of(chunks: list[bytes], limit: int = LIMIT) -> list[Frame | Fault]:
    framer = Framer(limit)
    found = [item for chunk in chunks for item in framer.feed(chunk)]
    return found + list(framer.end())


PIECES = st.sampled_from(
    [
        START,
        END,
        b"\x1c",
        b"\r",
        b"\n",
        b"MSH|1\r",
        b"x",
        b"y" * LIMIT,
        b"\0",
        START + b"MSH|2" + END,
    ]
)


@given(st.lists(PIECES, max_size=14), st.data())
def test_any_cutting_gives_the_same(pieces: list[bytes], data: st.DataObject) -> None:
    stream = b"".join(pieces)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=8)))
    chunks = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    whole = all_of([stream])
    assert all_of(chunks) == whole
    assert all_of([stream[i : i + 1] for i in range(len(stream))]) == whole


@given(st.lists(st.binary(max_size=LIMIT).filter(lambda b: not set(b) & {0x0B, 0x1C}), max_size=6))
def test_what_was_wrapped_comes_out(payloads: list[bytes]) -> None:
    assert all_of([b"".join(map(wrap, payloads))]) == [Frame(payload) for payload in payloads]


@pytest.mark.parametrize("size", [LIMIT - 1, LIMIT, LIMIT + 1])
def test_the_limit_counts_the_payload(size: int) -> None:
    (first, *rest) = all_of([wrap(b"z" * size) + wrap(b"next")])
    if size <= LIMIT:
        assert first == Frame(b"z" * size)
    else:
        assert isinstance(first, Fault)
        assert (first.kind, first.partial) == ("too long", b"z" * LIMIT)
    assert rest == [Frame(b"next")]


def kinds(stream: bytes) -> list[str]:
    return [item.kind if isinstance(item, Fault) else "frame" for item in all_of([stream])]


@pytest.mark.parametrize(
    ("stream", "expected"),
    [
        (wrap(b"MSH|1\r"), ["frame"]),
        (wrap(b"MSH|1"), ["frame"]),
        (wrap(b"a") + wrap(b"b") + START + b"c", ["frame", "frame", "incomplete"]),
        (START + b"half" + wrap(b"whole"), ["restarted", "frame"]),
        (START + START + b"twice" + END + END, ["frame"]),
        (wrap(b"a") + b"\n\0 \r" + wrap(b"b"), ["frame", "frame"]),
        (b"GET / HTTP" + wrap(b"b"), ["junk", "frame"]),
        (START + b"lone\x1c" + wrap(b"b"), ["restarted", "frame"]),
        (START + b"in\x1cside" + END, ["frame"]),
        (b"only noise", ["junk"]),
        (wrap(b""), ["frame"]),
        (b"", []),
    ],
)
def test_what_senders_do(stream: bytes, expected: list[str]) -> None:
    assert kinds(stream) == expected


def test_a_broken_block_keeps_what_came() -> None:
    assert all_of([START + b"MSH|half"])[0] == Fault(
        "incomplete", "the connection ended inside a block, after 8 bytes", b"MSH|half"
    )


def test_noise_is_kept_only_in_part() -> None:
    framer = Framer(LIMIT)
    for _ in range(1000):
        assert framer.feed(b"noise") == []
    (fault,) = framer.end()
    assert len(fault.partial) == 256


def test_pending_says_whether_a_block_is_open() -> None:
    framer = Framer(LIMIT)
    assert not framer.pending
    framer.feed(START + b"MSH")
    assert framer.pending
    framer.feed(END)
    assert not framer.pending


def test_after_the_end_it_starts_anew() -> None:
    framer = Framer(LIMIT)
    framer.feed(START + b"lost")
    framer.end()
    assert framer.feed(wrap(b"new")) == [Frame(b"new")]
