"""Which passwords are refused: short ones, and those that are guessed first.

As NIST SP 800-63B section 5.1.1.2 says: length, no rules of composition, no change by the calendar,
and a comparison with what is commonly used, with repetitions, sequences and the person's own names.
The list is our own and short; it is the length that protects.
"""

from verifier.errors import RefusedError

SHORTEST_PASSWORD = 12  # NIST SP 800-63B asks for at least 8
LONGEST_PASSWORD = 1024
_LEAST_DIFFERENT = 5  # different characters
_LEAST_LEFT = 6  # characters that are neither a common word nor a run

_COMMON = """
    password passwort passw0rd p4ssword pass secret letmein welcome login master monkey dragon
    football baseball sunshine princess iloveyou superman batman shadow trustno1 whatever
    admin administrator root user guest test changeme default temp
    laboratory lab hospital clinic doctor nurse verifier pathology pathologist technologist
    spring summer autumn winter monday friday january december
    qwerty qwertz azerty asdf zxcv yxcv
"""
_WORDS = frozenset(_COMMON.split())
_RUNS = ("abcdefghijklmnopqrstuvwxyz", "0123456789012345678901234567890", "qwertyuiop", "asdfghjkl",
         "zxcvbnm", "1q2w3e4r5t6y7u8i9o0p")  # fmt: skip
_ALIKE = str.maketrans("@$", "as")
_SHORTEST_RUN = 3
_SHORTEST_NAME = 3


def check_choice(password: str, *own_words: str) -> None:
    """Raise RefusedError when a password should not be chosen.

    `own_words` are the person's name, the laboratory's and the like.
    """
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise RefusedError(
            "A password needs at least %(shortest_password)s characters and at most "
            "%(longest_password)s.",
            shortest_password=SHORTEST_PASSWORD,
            longest_password=LONGEST_PASSWORD,
        )
    if len(set(password)) < _LEAST_DIFFERENT or _left(password, own_words) < _LEAST_LEFT:
        raise RefusedError(
            "This password is guessed too easily: it is little more than common words, names, "
            "a sequence or a repetition. Choose another, such as several unrelated words."
        )


def _left(password: str, own_words: tuple[str, ...]) -> int:
    """Return how many letters and digits are left once what is guessed first is taken out."""
    text = "".join(sign for sign in password.casefold().translate(_ALIKE) if sign.isalnum())
    names = [part for word in own_words for part in _parts(word)]
    for word in sorted({*_WORDS, *names}, key=len, reverse=True):
        text = text.replace(word, " ")
    return sum(len(part) for part in _without_runs(text).split())


def _parts(word: str) -> list[str]:
    plain = "".join(sign if sign.isalnum() else " " for sign in word.casefold())
    return [part for part in plain.split() if len(part) >= _SHORTEST_NAME]


def _without_runs(text: str) -> str:
    """Return a text without stretches of three and more of a sequence, in either direction."""
    runs = [*_RUNS, *(run[::-1] for run in _RUNS)]
    at, kept = 0, []
    while at < len(text):
        length = _run_at(text, at, runs)
        if length >= _SHORTEST_RUN:
            at += length
        else:
            kept.append(text[at])
            at += 1
    return "".join(kept)


def _run_at(text: str, at: int, runs: list[str]) -> int:
    length = 1
    while at + length < len(text) and (
        text[at : at + length + 1] == text[at] * (length + 1)
        or any(text[at : at + length + 1] in run for run in runs)
    ):
        length += 1
    return length
