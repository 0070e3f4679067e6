"""TLS on every way in and out, as a second process over real sockets; who may come in at all."""

import re
import ssl
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.certificates import PASSWORD, Authority
from service.laboratory import END, START, Laboratory, Lis, Sender, eventually, result_message
from verifier import settings
from verifier.service.tls import doubts

CHEM = 'specimens = { SER = "serum" }\n\n[connections.second]'


class TlsSender(Sender):
    """The same over TLS; `context` says what is trusted and shown."""

    def __init__(self, port: int, context: ssl.SSLContext) -> None:
        super().__init__(port)
        self._socket = context.wrap_socket(self._socket, server_hostname="localhost")


class TlsLis(Lis):
    """A receiver that speaks TLS only and asks for a certificate."""

    def encrypted(self, context: ssl.SSLContext) -> None:
        self._server.socket = context.wrap_socket(self._server.socket, server_side=True)


def trusting(authority: Authority, shown: tuple[Path, Path] | None = None) -> ssl.SSLContext:
    context = ssl.create_default_context(cafile=authority.file)
    if shown:
        context.load_cert_chain(*shown)
    return context


def change(laboratory: Laboratory, pairs: dict[str, str]) -> None:
    text = laboratory.config.read_text()
    for old, new in pairs.items():
        assert old in text
        text = text.replace(old, new, 1)
    laboratory.config.write_text(text)


@contextmanager
def started(laboratory: Laboratory) -> Iterator[Laboratory]:
    laboratory.start()
    try:
        yield laboratory
    finally:
        laboratory.stop()


def refused(port: int, context: ssl.SSLContext) -> bool:
    """Whether a message sent this way is never answered."""
    try:
        with TlsSender(port, context) as sender:
            sender.send(result_message("X"))
    except (OSError, ConnectionError):
        return True
    return False


def test_encrypted_on_every_side(tmp_path: Path) -> None:
    ours, theirs = Authority(tmp_path, "ours"), Authority(tmp_path, "theirs")
    ours.sign("localhost", password=PASSWORD)
    known = ours.sign("analyzer-1")
    (tmp_path / "password").write_text(f"{PASSWORD}\n")
    server = f"""certificate = "localhost.crt"
key = "localhost.key"
key_password = "file:{tmp_path}/password"
"""
    with TlsLis() as lis:
        asks = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH, cafile=ours.file)
        asks.load_cert_chain(*ours.sign("lis.example"))
        asks.verify_mode = ssl.CERT_REQUIRED
        lis.encrypted(asks)
        laboratory = Laboratory(tmp_path, lis.port)
        change(
            laboratory,
            {
                CHEM: f"{CHEM.partition('[')[0]}[connections.chem.tls]\n{server}"
                'authorities = "ours.pem"\nnames = ["analyzer-1"]\n\n[connections.second]',
                "[web]": '[destinations.lis.tls]\nauthorities = "ours.pem"\n'
                'server_name = "lis.example"\ncertificate = "analyzer-1.crt"\n'
                'key = "analyzer-1.key"\n\n[web]',
                "[quality]": f"[web.tls]\n{server}\n[quality]",
            },
        )
        with started(laboratory):
            with TlsSender(laboratory.chem, trusting(ours, known)) as sender:
                assert b"MSA|AA|M1" in sender.send(result_message("M1"))
            eventually(lambda: lis.received)
            assert b"2951-2^Sodium" in lis.received[0]
            assert refused(laboratory.chem, trusting(ours)), "no certificate shown"
            assert refused(laboratory.chem, trusting(ours, ours.sign("stranger")))
            assert refused(laboratory.chem, trusting(ours, theirs.sign("analyzer-1")))
            with Sender(laboratory.chem) as plain, pytest.raises(ConnectionError):
                plain.send(result_message("M2"))
            page = f"https://localhost:{laboratory.web}/sign-in"
            with urllib.request.urlopen(page, context=trusting(ours)) as answer:
                assert "max-age" in answer.headers["Strict-Transport-Security"]
                assert "Secure" in answer.headers["Set-Cookie"]
    assert PASSWORD not in (tmp_path / "service.log").read_text()


def test_a_destination_that_is_not_trusted_gets_nothing(tmp_path: Path) -> None:
    ours, theirs = Authority(tmp_path, "ours"), Authority(tmp_path, "theirs")
    with TlsLis() as lis:
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(*theirs.sign("localhost"))
        lis.encrypted(context)
        laboratory = Laboratory(tmp_path, lis.port)
        trust = f'[destinations.lis.tls]\nauthorities = "{ours.file.name}"\n\n[web]'
        change(
            laboratory,
            {"[web]": trust, "[destinations.lis]": '[destinations.lis]\nhost = "localhost"'},
        )
        with started(laboratory):
            with Sender(laboratory.chem) as sender:
                assert b"MSA|AA|M1" in sender.send(result_message("M1"))
            log = tmp_path / "service.log"
            eventually(lambda: "certificate is not trusted" in log.read_text())
        assert lis.received == []


def test_the_command_sends_encrypted(tmp_path: Path) -> None:
    ours = Authority(tmp_path, "ours")
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(*ours.sign("localhost"))
    (tmp_path / "one.hl7").write_bytes(result_message("M1"))
    with TlsLis() as lis:
        lis.encrypted(context)
        command = [sys.executable, "-m", "verifier", "send", str(tmp_path / "one.hl7")]
        command += ["--to", f"localhost:{lis.port}", "--authorities", str(ours.file)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60)
        assert (done.returncode, done.stdout) == (0, "one.hl7: AA\n")
        command[-1] = str(Authority(tmp_path, "theirs").file)
        done = subprocess.run(command, capture_output=True, text=True, timeout=60)
        assert done.returncode == 1
        assert "certificate is not trusted" in done.stdout


def test_only_allowed_addresses_come_in_and_a_fast_sender_is_slowed(tmp_path: Path) -> None:
    with Lis() as lis:
        laboratory = Laboratory(tmp_path, lis.port)
        slowed = 'allow = ["127.0.0.0/8"]\nmost_per_second = 10\nspecimens ='
        change(laboratory, {"specimens =": slowed})
        change(laboratory, {"[connections.second]": '[connections.second]\nallow = ["10.0.0.0/8"]'})
        with started(laboratory):
            with Sender(laboratory.second) as stranger, pytest.raises(ConnectionError):
                stranger.send(result_message("M1"))
            began = time.monotonic()
            with Sender(laboratory.chem) as sender:
                burst = (result_message(f"N{n}", specimen=f"S{n}") for n in range(30))
                sender.write(b"".join(START + message + END for message in burst))
                answers = [sender.answer() for _ in range(30)]
            assert time.monotonic() - began > 1, "30 at 10 a second, one second's worth at once"
            assert all(f"MSA|AA|N{n}".encode() in answer for n, answer in enumerate(answers))
    assert "127.0.0.1 is not among the allowed addresses" in (tmp_path / "service.log").read_text()


@pytest.mark.parametrize(
    ("files", "says"),
    [
        ({}, r"connections.chem.tls: certificate .*a.crt with key .*a.key: No such file"),
        ({"a.crt": "no", "a.key": "no"}, r"connections.chem.tls: certificate .*no usable PEM"),
    ],
)
def test_files_that_can_not_be_used_are_a_sentence(
    tmp_path: Path, files: dict[str, str], says: str
) -> None:
    for name, text in files.items():
        (tmp_path / name).write_text(text)
    laboratory = Laboratory(tmp_path, 1)
    tls = f'{CHEM.partition("[")[0]}[connections.chem.tls]\ncertificate = "a.crt"\nkey = "a.key"\n'
    change(laboratory, {CHEM: f"{tls}[connections.second]"})
    done = laboratory.command("serve")
    assert done.returncode == 2
    assert re.search(says, done.stderr)
    assert "Traceback" not in done.stderr


def test_open_doors_and_ending_certificates_are_told_at_start(tmp_path: Path) -> None:
    authority = Authority(tmp_path, "ours")
    authority.sign("soon", days=10)
    authority.sign("past", days=-1)
    doors = {
        name: {"port": 0, "tls": {"certificate": f"{name}.crt", "key": f"{name}.key"}}
        for name in ("soon", "past")
    }
    loaded = settings.parse({"connections": doors, "web": {"host": "0.0.0.0"}}, tmp_path / "v.toml")
    told = list(doubts(loaded, datetime.now(UTC)))
    assert len(told) == 3
    assert "the page on 0.0.0.0 is not encrypted" in told[0]
    assert "connections.soon.tls" in told[1]
    assert "ends on" in told[1]
    assert "connections.past.tls" in told[2]
    assert "ended on" in told[2]
