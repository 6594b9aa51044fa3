"""What can go wrong between the client and the collector, by who must act, each with its own exit code."""

from typing import ClassVar


class ClientError(Exception):
    """The root: a sentence a person can act on, and the code the command ends with."""

    exit_code: ClassVar[int] = 30

    def __init__(self, sentence: str) -> None:
        super().__init__(sentence)
        self.sentence = sentence


NO_GO = 13  # [1] `readiness` has its answer and it is no; beside the agent's 10 to 12 for one drive


class ClientSettingsError(ClientError):
    """The address, the token file or an argument must be changed here."""

    exit_code = 31


class UnreachableError(ClientError):
    """Nobody answers at the address, or not as a collector does."""

    exit_code = 32


class TokenError(ClientError):
    """The token is missing, wrong, expired or revoked."""

    exit_code = 33


class ScopeError(ClientError):
    """The token is good, but not for this."""

    exit_code = 34


class UnknownError(ClientError):
    """What was named is not there, or is more than one thing."""

    exit_code = 35


class RefusedError(ClientError):
    """The collector understood and refused: it does not fit, or somebody was first."""

    exit_code = 36


class TroubleError(ClientError):
    """The collector is busy, full or failed; asking later may help."""

    exit_code = 37
