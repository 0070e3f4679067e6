"""The demo's private folder and the service that runs in it, as a process of its own."""

import asyncio
import json
import os
import shutil
import signal
import socket
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from verifier.demo.scenario import Morning
from verifier.demo.wire import ended
from verifier.errors import SettingsError, VerifierError
from verifier.rulefiles import shipped_rules

START_WITHIN, STOP_WITHIN = 90.0, 20.0
HOST = "127.0.0.1"


def private_folder(chosen: Path | None) -> Path:
    """Return an empty folder only its owner can read; `chosen` is made if it is not there.

    Raises:
        SettingsError: the chosen folder holds something already.
    """
    if chosen is None:
        return Path(tempfile.mkdtemp(prefix="verifier-demo-"))
    folder = chosen.resolve()
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    if any(folder.iterdir()):
        raise SettingsError(f"{chosen}: the demo needs an empty folder, and this one is not")
    folder.chmod(0o700)
    return folder


def free_ports(count: int) -> list[int]:
    """Return ports of the loopback that nobody listens on just now."""
    sockets = [socket.create_server((HOST, 0)) for _ in range(count)]
    ports = [int(each.getsockname()[1]) for each in sockets]
    for each in sockets:
        each.close()
    return ports


class Laboratory:
    """Folder, ports and service of one demo. Use it as an async context: it starts and stops."""

    def __init__(self, folder: Path, morning: Morning, lis_port: int) -> None:
        *analyzers, self.web = free_ports(len(morning.analyzers) + 1)
        self.folder = folder
        self.ports = dict(zip(morning.analyzers, analyzers, strict=True))
        self.config = folder / "verifier.toml"
        self.log = folder / "service.log"
        shutil.copytree(shipped_rules(), folder / "rules")
        self.config.write_text(configuration(morning, self.ports, lis_port, self.web), "utf-8")
        self._process: asyncio.subprocess.Process | None = None

    @property
    def page(self) -> str:
        """Where the page is."""
        return f"http://{HOST}:{self.web}/"

    async def __aenter__(self) -> "Laboratory":
        with self.log.open("ab") as log:
            self._process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-m", "verifier", "serve", "--config", str(self.config)),
                stdout=log,
                stderr=log,
                start_new_session=True,  # Ctrl-C reaches the demo, which then stops the service
            )
        try:
            await asyncio.wait_for(self._listening(), START_WITHIN)
        except TimeoutError:
            await self.stop()
            raise VerifierError(
                f"the service did not start within {START_WITHIN:g} s; its log is {self.log}\n"
                "If this machine is busy, try again when it is less so."
            ) from None
        except BaseException:
            await self.stop()
            raise
        return self

    async def __aexit__(self, *error: object) -> None:
        await self.stop()

    async def stop(self) -> int:
        """Ask the service to stop as a system would (SIGTERM) and return its exit code."""
        process = self._process
        if process is None:
            return 0
        if process.returncode is None:
            os.kill(process.pid, signal.SIGTERM)
            try:
                await asyncio.wait_for(process.wait(), STOP_WITHIN)
            except TimeoutError:
                process.kill()
                await process.wait()
        return process.returncode or 0

    async def gone(self) -> str:
        """Wait until the service has ended, whoever ended it; say how, and where it told why."""
        assert self._process is not None, "started before"
        code = await self._process.wait()
        how = (
            f"was killed by {signal.Signals(-code).name}" if code < 0 else f"ended with code {code}"
        )
        return f"the service {how} and the demo can not go on; what it said is in {self.log}"

    async def _listening(self) -> None:
        for port in [*self.ports.values(), self.web]:
            while not await _answers(port):
                if self._process is None or self._process.returncode is not None:
                    said = self.log.read_text("utf-8", "replace").strip()
                    raise VerifierError(f"the service did not start; it said:\n{said}")
                await asyncio.sleep(0.05)


async def _answers(port: int) -> bool:
    try:
        _, writer = await asyncio.open_connection(HOST, port)
    except OSError:
        return False
    await ended(writer)
    return True


def configuration(morning: Morning, ports: Mapping[str, int], lis: int, web: int) -> str:
    """Return the text of the configuration file the demo's service runs with."""
    lines = [
        "# Written by `verifier demo`. Everything in this laboratory is invented.",
        'laboratory = "Invented Laboratory of Fernmoor"',
        'facility = "FERNMOOR"',
    ]
    for name, analyzer in morning.analyzers.items():
        lines += ["", f"[connections.{name}]", f"port = {ports[name]}", 'destinations = ["lis"]']
        lines += _table(f"connections.{name}", analyzer.settings)
    lines += ["", "[destinations.lis]", f"port = {lis}", "retry_seconds = 0.5"]
    lines += ["", "[web]", f"port = {web}"]
    lines += ["", "# 42 CFR 493.931 of 2025 (from memory)", "[quality.allowable]", "urate = 10"]
    lines += ["", "[parameters]", *_table("parameters", morning.parameters), ""]
    return "\n".join(lines)


def _table(name: str, settings: Mapping[str, Any]) -> list[str]:
    """Write settings as TOML: plain keys first, then their tables."""
    plain = {key: value for key, value in settings.items() if not isinstance(value, dict)}
    lines = [f"{json.dumps(key)} = {json.dumps(value)}" for key, value in plain.items()]
    for key in sorted(settings.keys() - plain.keys()):
        lines += [f"[{name}.{key}]", *_table(f"{name}.{key}", settings[key])]
    return lines
