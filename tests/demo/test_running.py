"""The whole demo against the real service: as expected, not as expected, and broken off."""

import contextlib
import io
import json
import os
import signal
import stat
import subprocess
import sys
import time
from contextlib import redirect_stdout
from pathlib import Path
from typing import NamedTuple

import pytest
from msgspec.structs import replace

from verifier.cli import main
from verifier.demo import laboratory, scenario
from verifier.demo.laboratory import free_ports, private_folder
from verifier.errors import SettingsError


class Shown(NamedTuple):
    """A morning that was played and compared."""

    code: int
    told: str
    folder: Path


@pytest.fixture(scope="module")
def morning(tmp_path_factory: pytest.TempPathFactory) -> Shown:
    folder = tmp_path_factory.mktemp("morning") / "demo"
    told = io.StringIO()
    with redirect_stdout(told):
        code = main(["demo", "--check", "--folder", str(folder)])
    return Shown(code, told.getvalue(), folder)


def test_every_outcome_is_as_expected(morning: Shown) -> None:
    assert "0 differences from what was expected" in morning.told
    assert morning.code == 0
    assert (morning.folder / "lis.txt").read_text("utf-8").count("(final)") > 1000


def test_the_morning_comes_out_again_to_the_last_byte(
    morning: Shown, capfd: pytest.CaptureFixture[str]
) -> None:
    """The same facts and rules give the same decision: judged again, both ways of comparing."""
    config = ["--config", str(morning.folder / "verifier.toml")]
    assert main(["replay", "--candidate", "active", "--again", "--json", *config]) == 0
    replay = json.loads(capfd.readouterr().out)
    counts = replay["counts"]
    assert counts["decisions"] == counts["reproduced"] > 200
    assert counts["results"] > 3000
    assert not replay["changes"]
    assert main(["replay", "--candidate", "active", "--against", "recorded", *config]) == 0


def test_a_wrong_expectation_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    morning = scenario.load()
    wrong = [
        replace(tube, expect="others: release") if tube.title == "potassium high" else tube
        for tube in morning.tube
    ]
    wrong = [replace(tube, judged="accepted") if tube.id == "QC-UH-2" else tube for tube in wrong]
    other = replace(morning, tube=tuple(wrong), reviews=morning.reviews[1:])
    monkeypatch.setattr(scenario, "load", lambda: other)
    assert main(["demo", "--check", "--folder", str(tmp_path)]) == 1
    told = capfd.readouterr().out
    assert "potassium: expected release, found hold critical unexplained-hyperkalemia" in told
    assert "the LIS never got 2823-3 = '6.4' with status 'F'" in told
    assert "the LIS never got 1863-0" in told
    assert "expected of the control 'accepted', found 'rejected 2-2s 1-2s'" in told
    assert "to look into: expected ['FM-9102 urate released'" in told
    assert "6 differences" in told


def test_the_folder_is_private_and_never_one_in_use(tmp_path: Path) -> None:
    folder = private_folder(tmp_path / "new")
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    (folder / "something").touch()
    with pytest.raises(SettingsError, match="empty folder"):
        private_folder(folder)


def test_a_service_that_is_not_up_in_time_is_told_in_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(laboratory, "START_WITHIN", 0.01)
    assert main(["demo", "--check", "--folder", str(tmp_path / "demo")]) != 0
    said = capfd.readouterr().err
    assert "did not start within 0.01 s; its log is" in said
    assert "Traceback" not in said


def test_free_ports_are_different() -> None:
    assert len(set(free_ports(5))) == 5


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_breaking_off_stops_the_service_too(tmp_path: Path, number: signal.Signals) -> None:
    command = [sys.executable, "-m", "verifier", "demo", "--folder", str(tmp_path / "demo")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as demo:
        assert demo.stdout
        for line in demo.stdout:
            if "an earlier result" in line:
                break
        os.kill(demo.pid, number)
        rest = demo.stdout.read()
    assert demo.returncode == 0
    assert "\nstopping\n" in rest
    assert (tmp_path / "demo" / "service.log").read_text("utf-8").endswith("stopped\n")


@pytest.mark.parametrize("check", [(), ("--check",)], ids=["shown", "checked"])
def test_a_service_that_is_killed_is_noticed_and_told(
    tmp_path: Path, check: tuple[str, ...]
) -> None:
    folder = tmp_path / "demo"
    command = [sys.executable, "-m", "verifier", "demo", "--folder", str(folder), *check]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as demo:
        until = time.monotonic() + 60
        while not (folder / "lis.txt").exists():  # the morning has begun
            assert demo.poll() is None
            assert time.monotonic() < until
            time.sleep(0.05)
        (service,) = children_of(demo.pid)
        os.kill(service, signal.SIGKILL)
        told, problem = demo.communicate(timeout=60)
    assert demo.returncode == 2
    assert "the service was killed by SIGKILL and the demo can not go on" in problem
    assert str(folder / "service.log") in problem
    assert "Traceback" not in problem
    assert "0 differences" not in told


def children_of(process: int) -> list[int]:
    found = []
    for status in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):  # gone meanwhile
            if int(status.read_text().rpartition(")")[2].split()[1]) == process:
                found.append(int(status.parent.name))
    return found
