"""Start and stop of the service: store, rules, listeners, forwarders, timers, page."""

import asyncio
import contextlib
import gc
import logging
import signal
from collections.abc import Awaitable, Callable, Coroutine, Iterator

import uvicorn

from verifier import clock as clocks
from verifier.clock import Clock
from verifier.errors import SettingsError
from verifier.service import plainlog
from verifier.service.forwarder import Forwarder
from verifier.service.keeping import keep_removing
from verifier.service.leasing import keep_leases
from verifier.service.line import Line
from verifier.service.listener import Listener
from verifier.service.rulestart import start_rules
from verifier.service.rulewatch import RuleWatch
from verifier.service.shadowing import run_shadow
from verifier.service.status import Status
from verifier.service.timers import run_timers
from verifier.service.tls import doubts, server_context
from verifier.settings import Settings
from verifier.store.store import Store

log = logging.getLogger(__name__)

STOP_SECONDS = 10.0  # for an answer to what was just sent

Say = Callable[[str], None]
AppFactory = Callable[[Store, Line, Settings, Clock, Status], Callable[..., Awaitable[None]]]


class PageServer(uvicorn.Server):
    """The web server, without its own signal handlers: one place decides when to stop."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave the signals alone."""
        yield


class Service:
    """Everything that runs, and how it is started and stopped."""

    def __init__(
        self, settings: Settings, make_app: AppFactory, say: Say, clock: Clock = clocks.now
    ) -> None:
        self._settings = settings
        self._make_app = make_app
        self._say = say
        self._clock = clock
        self._stop = asyncio.Event()
        self._status = Status.of(settings, clock())

    async def run(self) -> None:
        """Run until SIGTERM or SIGINT.

        Raises:
            SettingsError: a port is taken, or a connection names a test the rules do not know.
            RuleSetError: the rules have errors. StoreError: the
            database can not be opened.
        """
        for doubt in doubts(self._settings, self._clock()):
            self._say(f"caution: {doubt}")
        with Store.of(self._settings, clock=self._clock, alone=True) as store:
            rules = await asyncio.to_thread(start_rules, store, self._settings, self._clock)
            await asyncio.to_thread(store.checkpoint)  # covers what a kill left uncovered
            for sentence in rules.told:
                self._say(sentence)
            line = Line(self._settings, rules.program, rules.version)
            await self._run_with(store, line)
            await asyncio.to_thread(store.checkpoint)
        self._say("stopped")

    def stop(self) -> None:
        """Ask for an orderly stop."""
        self._stop.set()

    async def _run_with(self, store: Store, line: Line) -> None:
        loop = asyncio.get_running_loop()
        plainlog.watch(loop)
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self.stop)
        forwarders = [
            Forwarder(name, destination, store, self._clock)
            for name, destination in self._settings.destinations.items()
        ]
        if store.leases is not None:
            for forwarder in forwarders:
                forwarder.allow(0.0)  # not before the lease is ours
        store.on_commit(lambda topics: _ring(loop, topics, forwarders))
        listeners = await self._listen(line, store)
        page = await self._open_page(store, line)
        sending = [asyncio.create_task(forwarder.run()) for forwarder in forwarders]
        behind = [asyncio.create_task(work) for work in self._behind(store, line)]
        leasing = asyncio.create_task(keep_leases(store, forwarders))
        self._say("ready")
        gc.collect()
        gc.freeze()  # what was compiled stays, so no later collection walks it
        gc.enable()
        try:
            await self._until_stopped([*sending, *behind, leasing])
        finally:
            self._say("stopping: no new messages; finishing what was taken")
            await asyncio.gather(*(listener.stop() for listener in listeners))
            await _end(forwarders, sending, behind, leasing)
            await _close_page(page)

    def _behind(self, store: Store, line: Line) -> Iterator[Coroutine[None, None, None]]:
        """Yield what runs by time alone."""
        yield run_timers(store, lambda: line.judge, self._clock)
        yield RuleWatch(store, line, self._clock).run()
        yield run_shadow(store, self._settings)
        if days := self._settings.retention.days:
            yield keep_removing(store, days, self._clock)

    async def _until_stopped(self, tasks: list[asyncio.Task[None]]) -> None:
        """Wait for the stop; a task that ends by itself is a defect and ends the service."""
        stopping = asyncio.create_task(self._stop.wait())
        done, _ = await asyncio.wait({stopping, *tasks}, return_when=asyncio.FIRST_COMPLETED)
        stopping.cancel()
        for task in done - {stopping}:
            task.result()

    async def _listen(self, line: Line, store: Store) -> list[Listener]:
        listeners = []
        for name, connection in self._settings.connections.items():
            door = self._status.doors[name]
            listener = Listener(name, connection, line, store, self._clock, door)
            try:
                port = await listener.start()
            except OSError as error:
                raise SettingsError(
                    f"connections.{name}: can not listen on {connection.host}:{connection.port}: "
                    f"{error.strerror or error}"
                ) from error
            self._say(f"connection {name} listens on {connection.host}:{port} (MLLP)")
            listeners.append(listener)
        for name, destination in self._settings.destinations.items():
            self._say(f"destination {name} is {destination.host}:{destination.port} (MLLP)")
        return listeners

    async def _open_page(self, store: Store, line: Line) -> tuple[PageServer, asyncio.Task[None]]:
        web = self._settings.web
        app = self._make_app(store, line, self._settings, self._clock, self._status)
        config = uvicorn.Config(
            app,
            host=web.host,
            port=web.port,
            log_level="warning",
            log_config=None,  # our own, which quotes no errors
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=2,
            limit_concurrency=web.max_connections,
        )
        config.load()
        if web.tls:
            config.ssl = server_context("web.tls", web.tls)
        server = PageServer(config)
        task = asyncio.create_task(_serve_page(server))
        while not server.started and not task.done():
            await asyncio.sleep(0.01)
        if task.done():
            raise SettingsError(f"web: can not listen on {web.host}:{web.port}: the port is taken")
        port = server.servers[0].sockets[0].getsockname()[1]
        self._say(f"page on http{'s' if web.tls else ''}://{web.host}:{port}/")
        return server, task


async def _end(
    forwarders: list[Forwarder],
    sending: list[asyncio.Task[None]],
    watching: list[asyncio.Task[None]],
    leasing: asyncio.Task[None],
) -> None:
    """Let what is on its way be answered; cut off what takes too long."""
    for forwarder in forwarders:
        forwarder.stop()
    for task in watching:
        task.cancel()
    await asyncio.wait([*sending, *watching], timeout=STOP_SECONDS)
    for task in (*sending, leasing):
        task.cancel()
    await asyncio.gather(*sending, *watching, leasing, return_exceptions=True)


async def _serve_page(server: PageServer) -> None:
    try:
        await server.serve()
    except SystemExit:  # uvicorn's way to say that the port is taken
        log.error("the page could not be opened")


async def _close_page(page: tuple[PageServer, asyncio.Task[None]]) -> None:
    server, task = page
    server.should_exit = True
    await task


def _ring(
    loop: asyncio.AbstractEventLoop, topics: frozenset[str], forwarders: list[Forwarder]
) -> None:
    """Wake the forwarders from the writer's thread."""
    if "outbox" not in topics:
        return
    for forwarder in forwarders:
        with contextlib.suppress(RuntimeError):  # the loop is already closed
            loop.call_soon_threadsafe(forwarder.ring)
