"""What became of one attempt to send a message; each carries a sentence that holds no secret."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True, slots=True)
class Delivered:
    """It got through."""

    sentence: str = "Delivered."


@dataclass(frozen=True, kw_only=True, slots=True)
class TryLater:
    """It did not get through, but may: no answer, an error of the server, a full mailbox.

    Attributes:
        after_s: What the receiver asked to wait [s].
    """

    sentence: str
    after_s: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Refused:
    """It will not get through as things are: the address is refused or gone, the settings are wrong.

    Attributes:
        target_gone: The receiver says that it wants no more (410); the target is to be switched off.
    """

    sentence: str
    target_gone: bool = False


Outcome = Delivered | TryLater | Refused
