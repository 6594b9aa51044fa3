"""How a drive is used now, which decides whether evidence speaks for it."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class InUse:
    """How the drive is used now, as far as known; None claims nothing.

    Attributes:
        path_key: The path it is on now; evidence over another path does not speak for it.
        file_system: What it is recorded through now.
        fills_bytes: What the role will fill [bytes]; None: the whole volume.
        debt_bytes: Bytes written since the last rest or erase [bytes].
        debt_settled: The drive was shown to know of the freed blocks, has rested, or a person erased it.
    """

    path_key: str | None = None
    file_system: str | None = None
    fills_bytes: float | None = None
    debt_bytes: float = 0.0
    debt_settled: bool = False

    @property
    def owed_bytes(self) -> float:
        """The debt that still stands [bytes]."""
        return 0.0 if self.debt_settled else self.debt_bytes


NOTHING_KNOWN = InUse()
