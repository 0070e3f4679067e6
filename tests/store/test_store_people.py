"""People: passwords, lock-out, sessions, and that nothing in the database signs anybody in."""

import threading
from datetime import timedelta
from pathlib import Path

import pytest

from verifier.errors import RefusedError
from verifier.store import (
    SHORTEST_PASSWORD,
    Person,
    Store,
    hash_password,
    password_fits,
    people,
    sign_in,
)

PASSWORD = "correct horse battery"


@pytest.fixture(scope="module")
def hashed() -> str:
    return hash_password(PASSWORD)


@pytest.fixture
def ann(store: Store, hashed: str) -> Person:
    store.write(lambda tx: tx.add_person("root", "administrator", hashed))
    return store.write(lambda tx: tx.add_person("ann", "technologist", hashed))


def test_passwords_are_argon2id_as_rfc_9106_recommends(hashed: str) -> None:
    """RFC 9106 section 4, second recommended option: t=3, m=64 MiB, p=4, 128-bit salt."""
    assert hashed.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert hashed != hash_password(PASSWORD), "every hash has its own salt"
    assert password_fits(PASSWORD, hashed)
    assert not password_fits(PASSWORD + " ", hashed)
    assert not password_fits(PASSWORD, None)
    assert not password_fits(PASSWORD, "no hash")


@pytest.mark.parametrize("password", ["", "x" * (SHORTEST_PASSWORD - 1), "x" * 1025])
def test_short_and_endless_passwords_are_refused(password: str) -> None:
    with pytest.raises(RefusedError):
        hash_password(password)


def test_signing_in_and_its_record(store: Store, ann: Person) -> None:
    assert sign_in(store, "ann", PASSWORD) == ann
    assert [e.what for e in store.read(lambda r: r.audit_of("person:ann"))] == ["signed in"]


def test_wrong_and_unknown_are_refused_alike(store: Store, ann: Person) -> None:
    said = set()
    for name, password in (("ann", "wrong"), ("nobody", PASSWORD), ("", "")):
        with pytest.raises(RefusedError) as refusal:
            sign_in(store, name, password)
        said.add(str(refusal.value))
    assert len(said) == 1


def test_too_many_wrong_passwords_lock_for_a_while(
    store: Store, ann: Person, clock: object
) -> None:
    for _ in range(3):
        with pytest.raises(RefusedError):
            sign_in(store, "ann", "wrong", lock_after=3, lock_minutes=15)
    with pytest.raises(RefusedError):
        sign_in(store, "ann", PASSWORD, lock_after=3)
    locked = store.read(lambda r: r.person("ann"))
    assert locked is not None
    assert locked.locked_until == clock.at + timedelta(minutes=15)
    clock.move(minutes=15, seconds=1)
    assert sign_in(store, "ann", PASSWORD, lock_after=3).failures == 0


def test_the_right_password_sets_the_count_back(store: Store, ann: Person) -> None:
    for _ in range(4):
        with pytest.raises(RefusedError):
            sign_in(store, "ann", "wrong", lock_after=3)
        sign_in(store, "ann", PASSWORD, lock_after=3)


def test_guessing_many_at_once_is_counted_too(
    store: Store, ann: Person, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All attempts reach the password before the first one is told wrong."""
    tried = []
    meeting = threading.Barrier(9)

    def slow(password: str, stored: str | None) -> bool:
        tried.append(stored)
        meeting.wait(10)
        return False

    monkeypatch.setattr("verifier.store.signin.password_fits", slow)

    def guess() -> None:
        with pytest.raises(RefusedError):
            sign_in(store, "ann", "wrong", lock_after=3)

    threads = [threading.Thread(target=guess) for _ in range(9)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(stored is not None for stored in tried) == 3


def test_an_administrator_unlocks(store: Store, ann: Person) -> None:
    for _ in range(3):
        with pytest.raises(RefusedError):
            sign_in(store, "ann", "wrong", lock_after=3)
    store.write(lambda tx: tx.unlock_person("ann"))
    assert sign_in(store, "ann", PASSWORD).name == "ann"
    store.write(lambda tx: tx.lock_person("ann"))
    with pytest.raises(RefusedError):
        sign_in(store, "ann", PASSWORD)


def test_a_session_ends_at_its_time(store: Store, ann: Person, clock: object) -> None:
    token = store.write(lambda tx: tx.open_session("ann", timedelta(minutes=30)))
    found = store.read(lambda r: r.session(token, clock.at))
    assert found is not None
    assert found.person == ann
    assert found.csrf != token
    assert store.read(lambda r: r.session(token + "x", clock.at)) is None
    assert store.read(lambda r: r.session(token, clock.at + timedelta(minutes=30))) is None
    store.write(lambda tx: tx.extend_session(token, clock.at + timedelta(hours=1)))
    assert store.read(lambda r: r.session(token, clock.at + timedelta(minutes=30))) is not None
    store.write(lambda tx: tx.close_session(token))
    assert store.read(lambda r: r.session(token, clock.at)) is None


@pytest.mark.parametrize("change", ["lock", "role", "password"])
def test_what_changes_a_person_ends_their_sessions(
    store: Store, ann: Person, clock: object, hashed: str, change: str
) -> None:
    token = store.write(lambda tx: tx.open_session("ann", timedelta(minutes=30)))
    other = store.write(lambda tx: tx.open_session("root", timedelta(minutes=30)))
    store.write(
        lambda tx: {
            "lock": lambda: tx.lock_person("ann"),
            "role": lambda: tx.set_role("ann", "pathologist"),
            "password": lambda: tx.set_password("ann", hashed),
        }[change]()
    )
    assert store.read(lambda r: r.session(token, clock.at)) is None
    assert store.read(lambda r: r.session(other, clock.at)) is not None


def test_no_token_and_no_password_lie_in_the_database(
    store: Store, ann: Person, database: Path
) -> None:
    token = store.write(lambda tx: tx.open_session("ann", timedelta(minutes=30)))
    store.close()
    stored = database.read_bytes()
    assert b"$argon2id$" in stored, "the file was looked at"
    assert token.encode() not in stored
    assert PASSWORD.encode() not in stored


def test_somebody_can_always_administer(store: Store, ann: Person, hashed: str) -> None:
    for change in (
        lambda tx: tx.lock_person("root"),
        lambda tx: tx.set_role("root", "technologist"),
    ):
        with pytest.raises(RefusedError, match="last administrator"):
            store.write(change)
    store.write(lambda tx: tx.set_role("root", "administrator"))
    store.write(lambda tx: tx.add_person("second", "administrator", hashed))
    store.write(lambda tx: tx.lock_person("root"))
    with pytest.raises(RefusedError, match="last administrator"):
        store.write(lambda tx: tx.lock_person("second"))


def test_names_and_roles_are_checked(store: Store, ann: Person, hashed: str) -> None:
    for name, role in (
        ("ann", "pathologist"), ("", "technologist"), (" x", "technologist"),
        ("a\nb", "technologist"), ("carl", "king"),
    ):  # fmt: skip
        with pytest.raises(RefusedError):
            store.write(lambda tx, n=name, r=role: tx.add_person(n, r, hashed))
    with pytest.raises(RefusedError, match="nobody named"):
        store.write(lambda tx: tx.set_role("nobody", "technologist"))
    assert [one.name for one in store.read(lambda r: r.people())] == ["ann", "root"]


def test_a_name_nobody_has_costs_what_a_real_one_costs() -> None:
    """The hash that fits nothing was made with the parameters of all others."""
    assert not people._hasher.check_needs_rehash(people._nobody)
    assert not password_fits("", None)
