"""Plays the morning: each step over its real connection, in order, and what came of it."""

import asyncio
from collections.abc import Callable
from datetime import date

from verifier.demo import writer
from verifier.demo.compare import Played
from verifier.demo.desk import Desk
from verifier.demo.laboratory import Laboratory
from verifier.demo.scenario import Act, Morning, Tube, Wire, moment
from verifier.demo.wire import Link, field, fields
from verifier.errors import VerifierError

DELIVERED_WITHIN = 30.0
GARBAGE = b"temperature of the reagent block: 8.1 C\r"


class Player:
    """Holds the analyzers' connections and what they sent, for resends."""

    def __init__(self, morning: Morning, day: date, laboratory: Laboratory, desk: Desk) -> None:
        self._morning, self._day, self._desk = morning, day, desk
        self._links = {name: Link(port) for name, port in laboratory.ports.items()}
        self._sent: dict[str, bytes] = {}

    async def play(self, pause: float, tell: Callable[[Played], None]) -> list[Played]:
        """Play every step, telling each; return what came of them.

        Steps of the morning are `pause` seconds apart, those of earlier days follow at once.
        """
        played = []
        for step in self._morning.steps:
            try:
                done = await self._step(step)
            except (OSError, TimeoutError) as error:
                raise VerifierError(f"step {step.key} ({step.title}): {error}") from error
            tell(done)
            played.append(done)
            await asyncio.sleep(0 if step.day else pause)
        return played

    async def delivered(self) -> None:
        """Wait until the LIS has answered everything."""
        async with asyncio.timeout(DELIVERED_WITHIN):
            while await asyncio.to_thread(self._desk.undelivered):
                await asyncio.sleep(0.1)

    async def close(self) -> None:
        """Close the connections."""
        for link in self._links.values():
            await link.close()

    async def _step(self, step: Tube | Wire | Act) -> Played:
        match step:
            case Tube():
                return await self._tube(step)
            case Wire():
                return await self._wire(step)
            case Act():
                await asyncio.to_thread(self._desk.act, step)
                return Played(step, "")

    async def _tube(self, tube: Tube) -> Played:
        message = writer.write(tube, self._morning, self._day)
        self._sent[tube.key] = message
        control = writer.control_id(tube, self._day)
        ack = _code(await self._links[tube.by].send(message), control)
        if tube.judged:
            (test,) = self._morning.held_by(tube)
            seen = await asyncio.to_thread(self._desk.control_seen, test, tube.by)
            return Played(tube, ack, control=seen)
        patient = self._morning.patients.get(tube.of)
        decision = await asyncio.to_thread(
            self._desk.decision_on,
            self._morning.analyzers[tube.by].application,
            control,
            tube.id,
            patient.number if patient else "",
        )
        return Played(tube, ack, decision)

    async def _wire(self, wire: Wire) -> Played:
        link = self._links[wire.by]
        analyzer = self._morning.analyzers[wire.by]
        match wire.send:
            case "half":
                answer = await link.send_half(self._sent[wire.again])
                return Played(wire, _code(answer, "") if answer else "")
            case "garbage":
                answer = await link.send_and_leave(GARBAGE)
                return Played(wire, _code(answer, "") if answer else "")
            case "admission":
                control = f"ADT-{wire.at.replace(':', '')}"
                at = moment(wire, self._day)
                answer = await link.send(writer.admission(analyzer, at, control))
                return Played(wire, _code(answer, control))
            case "again":
                message = self._sent[wire.again]
                control = field(fields(message), "MSH", 10)
                return Played(wire, _code(await link.send(message), control))


def _code(answer: bytes, control: str) -> str:
    """Return MSA-1. Raises VerifierError when the answer is for another message."""
    segments = fields(answer)
    if control and field(segments, "MSA", 2) != control:
        raise VerifierError(f"the answer to {control} names {field(segments, 'MSA', 2)!r}")
    return field(segments, "MSA", 1)
