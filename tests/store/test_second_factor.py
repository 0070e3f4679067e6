"""One-time passwords against the vectors of their standards, and their use once and in time."""

from datetime import UTC, datetime, timedelta

import pyotp
import pytest

from verifier.errors import RefusedError
from verifier.store import Person, Store, hash_password, sign_in, totp
from verifier.store.passwords import check_choice
from verifier.store.signin import give_code

SECRET = b"12345678901234567890"
PASSWORD = "correct horse battery"


@pytest.fixture
def ann(store: Store) -> Person:
    hashed = hash_password(PASSWORD)
    store.write(lambda tx: tx.add_person("root", "administrator", hashed))
    return store.write(lambda tx: tx.add_person("ann", "technologist", hashed))


@pytest.mark.parametrize(
    ("seconds", "code"),
    [
        (59, "94287082"),
        (1111111109, "07081804"),
        (1111111111, "14050471"),
        (1234567890, "89005924"),
        (2000000000, "69279037"),
        (20000000000, "65353130"),
    ],
)
def test_codes_are_those_of_rfc_6238_appendix_b(seconds: int, code: str) -> None:
    at = datetime.fromtimestamp(seconds, UTC)
    assert totp.one_time(SECRET, totp.step_of(at), digits=8) == code


def test_codes_are_those_of_rfc_4226_appendix_d() -> None:
    printed = "755224 287082 359152 969429 338314 254676 287922 162583 399871 520489"
    assert " ".join(totp.one_time(SECRET, counter) for counter in range(10)) == printed


def test_an_authenticator_program_makes_the_same_codes_from_the_picture() -> None:
    """pyotp, a general-purpose library, reads the address and makes the codes."""
    phone = pyotp.parse_uri(totp.as_address(SECRET, "Ann Lee", "Harbour: Street"))
    assert (phone.name, phone.issuer) == ("Ann Lee", "Harbour: Street")
    at = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
    for minutes in range(50):
        moment = at + timedelta(minutes=minutes)
        assert phone.at(moment) == totp.one_time(SECRET, totp.step_of(moment))


@pytest.mark.parametrize(("off", "fits"), [(-61, 0), (-30, 1), (0, 1), (30, 1), (60, 0)])
def test_a_clock_may_be_one_step_off(off: int, fits: int) -> None:
    """RFC 6238 section 5.2: one step of delay."""
    at = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
    code = totp.one_time(SECRET, totp.step_of(at + timedelta(seconds=off)))
    assert (totp.matching_step(SECRET, code, at, 0) is not None) == bool(fits)


def armed(store: Store, clock: object) -> tuple[pyotp.TOTP, list[str]]:
    secret = store.write(lambda tx: tx.begin_second_factor("ann"))
    phone = pyotp.TOTP(totp.as_text(secret))
    assert store.write(lambda tx: tx.confirm_second_factor("ann", "000000")) is None
    code = phone.at(clock.at)
    codes = store.write(lambda tx: tx.confirm_second_factor("ann", code))
    assert codes is not None
    return phone, codes


def give(store: Store, code: str, lock_after: int = 5) -> str | None:
    return store.write(
        lambda tx: give_code(tx, "ann", code, lock_after=lock_after, lock_minutes=15)
    )


def test_a_code_is_taken_once(store: Store, ann: Person, clock: object) -> None:
    phone, _ = armed(store, clock)
    assert give(store, phone.at(clock.at)) is None, "the code that confirmed is used up"
    clock.move(seconds=30)
    assert give(store, phone.at(clock.at)) == "code"
    assert give(store, phone.at(clock.at)) is None
    assert give(store, phone.at(clock.at - timedelta(seconds=30))) is None, "older than the last"
    assert give(store, phone.at(clock.at + timedelta(seconds=30))) == "code", "a fast clock"


def test_a_recovery_code_is_taken_once_and_kept_as_a_hash(
    store: Store, ann: Person, clock: object
) -> None:
    _, codes = armed(store, clock)
    assert len(set(codes)) == 8
    assert give(store, codes[0].lower().replace("-", " ")) == "recovery code"
    assert give(store, codes[0]) is None
    assert store.read(lambda r: r.second_factor("ann")).recovery == 7
    store.write(lambda tx: tx.remove_second_factor("ann"))
    with pytest.raises(RefusedError, match="has no second factor"):
        store.write(lambda tx: tx.remove_second_factor("ann"))
    assert give(store, codes[1]) is None


def test_a_new_secret_counts_only_once_confirmed(store: Store, ann: Person, clock: object) -> None:
    phone, _ = armed(store, clock)
    fresh = pyotp.TOTP(totp.as_text(store.write(lambda tx: tx.begin_second_factor("ann"))))
    clock.move(minutes=1)
    assert give(store, fresh.at(clock.at)) is None
    assert give(store, phone.at(clock.at)) == "code"


def test_wrong_codes_lock_although_the_password_is_known(
    store: Store, ann: Person, clock: object
) -> None:
    phone, _ = armed(store, clock)
    clock.move(minutes=1)
    for _ in range(3):
        sign_in(store, "ann", PASSWORD, lock_after=3, purpose="")
        assert give(store, "000000", lock_after=3) is None
    with pytest.raises(RefusedError):
        sign_in(store, "ann", PASSWORD, lock_after=3, purpose="")
    assert give(store, phone.at(clock.at), lock_after=3) is None


@pytest.mark.parametrize(
    "password",
    [
        "password1234", "P@ssword-1234", "qwertyuiop12", "aaaaaaaaaaaa", "abcdefghijkl",
        "123456789012", "Laboratory2026!", "Welcome-Admin-1", "Tove-Larsen-12", "LarsenTove123",
        "Harbour Street 1", "987654321987",
    ],
)  # fmt: skip
def test_what_is_guessed_first_is_refused(password: str) -> None:
    """NIST SP 800-63B section 5.1.1.2; the words themselves are common practice, no source."""
    with pytest.raises(RefusedError, match="guessed"):
        check_choice(password, "Tove Larsen", "Harbour Street Laboratory")


@pytest.mark.parametrize(
    "password", ["a long enough password", "correct horse battery", "kU7#qzL0!mmw", "môj dlhý text"]
)
def test_others_are_taken_whatever_they_are_made_of(password: str) -> None:
    check_choice(password, "Tove Larsen", "Harbour Street Laboratory")
