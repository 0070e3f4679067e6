"""Runs the demo from beginning to end: laboratory, LIS, accounts, the morning, and the close."""

import asyncio
import contextlib
import signal
from collections.abc import AsyncIterator, Mapping
from datetime import date
from pathlib import Path
from typing import TypeVar

from msgspec import Struct

from verifier import clock
from verifier.demo import narrate, scenario
from verifier.demo.check import Aftermath, check
from verifier.demo.compare import Played
from verifier.demo.desk import Desk
from verifier.demo.laboratory import Laboratory, private_folder
from verifier.demo.play import Player
from verifier.demo.receiver import Received, Receiver
from verifier.errors import VerifierError

LASTS = 90.0  # seconds the morning takes when it is shown
NOTICED_WITHIN = 2.0  # seconds, that a process has ended
LIS_TOLD_AFTER = 0.2  # seconds; often the LIS is quicker than the telling of what was decided


T = TypeVar("T")


class Stage(Struct):
    """Everything that stands when the morning begins."""

    laboratory: Laboratory
    receiver: Receiver
    desk: Desk
    passwords: Mapping[str, str]
    player: Player


async def show(folder: Path | None) -> int:
    """Play the morning for somebody to watch, then stay until Ctrl-C."""
    morning, stop = scenario.load(), _stop_event()
    async with _stage(morning, folder, tell_lis=True) as stage:
        print(narrate.welcome(stage.laboratory, stage.passwords), flush=True)
        playing = asyncio.create_task(
            stage.player.play(
                LASTS / sum(step.day == 0 for step in morning.steps),
                lambda played: print("\n".join(narrate.told(played, morning)), flush=True),
            )
        )
        await _first(playing, stop, stage.laboratory)
        if not stop.is_set():
            print(narrate.stays(stage.laboratory), flush=True)
            await _first(asyncio.create_task(stop.wait()), stop, stage.laboratory)
        print("stopping", flush=True)
    return 0


async def prove(folder: Path | None) -> int:
    """Play the morning without waiting and compare every outcome; 0 all as expected, 1 not."""
    morning, stop = scenario.load(), _stop_event()
    async with _stage(morning, folder, tell_lis=False) as stage:
        playing = asyncio.create_task(stage.player.play(0, lambda played: None))
        await _first(playing, stop, stage.laboratory)
        if stop.is_set():
            return 1
        after = await _aftermath(stage, playing.result())
    findings = check(morning, after)
    print(narrate.table(morning, after, findings), flush=True)
    return 1 if findings.differences else 0


@contextlib.asynccontextmanager
async def _stage(
    morning: scenario.Morning, chosen: Path | None, *, tell_lis: bool
) -> AsyncIterator[Stage]:
    folder = private_folder(chosen)
    print(f"folder, kept afterwards: {folder}", flush=True)
    ledger = folder / "lis.txt"

    def take(received: Received) -> None:
        with ledger.open("a", encoding="utf-8") as file:
            file.writelines(f"{line}\n" for line in narrate.ledger(received))
        if tell_lis:
            line = narrate.delivered(received)
            asyncio.get_running_loop().call_later(LIS_TOLD_AFTER, lambda: print(line, flush=True))

    receiver = Receiver(morning.refused_by_lis, take)
    laboratory = Laboratory(folder, morning, await receiver.listen())
    try:
        async with laboratory:
            desk = await asyncio.to_thread(Desk, laboratory)
            player = Player(morning, _day(), laboratory, desk)
            try:
                passwords = await asyncio.to_thread(desk.open_accounts)
                yield Stage(laboratory, receiver, desk, passwords, player)
            finally:
                await player.close()
                desk.close()
    finally:
        await receiver.close()


async def _aftermath(stage: Stage, played: list[Played]) -> Aftermath:
    await stage.player.delivered()
    desk = stage.desk
    return Aftermath(
        played=played,
        received=stage.receiver.received,
        program=desk.program,
        problems=desk.problems(),
        refused=desk.refused(),
        audit=desk.verified(),
        reviews=desk.reviews(),
    )


async def _first(work: "asyncio.Task[T]", stop: asyncio.Event, laboratory: Laboratory) -> None:
    """Wait for the end of some work, or for Ctrl-C, which breaks it off.

    Raises:
        VerifierError: the service ended meanwhile, which breaks it off as well.
    """
    stopping, gone = asyncio.create_task(stop.wait()), asyncio.create_task(laboratory.gone())
    await asyncio.wait({work, stopping, gone}, return_when=asyncio.FIRST_COMPLETED)
    if work.done() and work.exception():  # often it is the first to feel that the service ended
        await asyncio.wait({gone}, timeout=NOTICED_WITHIN)
    stopping.cancel()
    if not work.done():
        work.cancel()
        await asyncio.gather(work, return_exceptions=True)
    if gone.done():
        raise VerifierError(gone.result())
    gone.cancel()
    if not work.cancelled():
        work.result()


def _stop_event() -> asyncio.Event:
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    return stop


def _day() -> date:
    return scenario.day_of(clock.now())
