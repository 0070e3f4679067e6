"""The few exceptions this package raises on purpose, split by who must act.

Any other exception that reaches a user is a defect of ours.
"""


class VerifierError(Exception):
    """Base of everything raised on purpose; `str()` of it is a sentence for a person."""


class PeerError(VerifierError):
    """The other side of a connection broke the protocol: answer AR/AE, log, go on serving."""


class RuleSetError(VerifierError):
    """A rule set can not be used: keep the one that is active."""


class SettingsError(VerifierError):
    """The configuration file can not be used: say where, say how to mend it, do not start."""


class StoreError(VerifierError):
    """The database refused or is not there: nothing may be acknowledged."""


class RefusedError(VerifierError):
    """A person asked for something their role or the state of the result does not allow.

    `text` is the sentence in English, with ``%(name)s`` where one of `values` stands, so that a
    page can say it in the language of its reader.
    """

    def __init__(self, text: str, **values: object) -> None:
        super().__init__(text % values if values else text)
        self.text, self.values = text, values
