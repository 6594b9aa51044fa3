"""The write curve a stand-in drive is given: its rate by bytes written, its stalls, its rests."""

import json
from dataclasses import asdict, dataclass


@dataclass(frozen=True, kw_only=True)
class Step:
    """From so many bytes since the last rest on [bytes], so fast [bytes/s]; 0 bytes/s is unlimited."""

    at_bytes: int
    bytes_per_s: int


@dataclass(frozen=True, kw_only=True)
class Curve:
    """A write curve.

    Attributes:
        steps: Rising by `at_bytes`, the first at 0.
        stall_every_s: A stall begins after so long of activity, and again and again [s]; 0: none.
        stall_for_s: How long nothing is taken [s].
        rest_s: After so long without a write the curve begins anew [s]; 0: never.
    """

    steps: tuple[Step, ...]
    stall_every_s: float = 0.0
    stall_for_s: float = 0.0
    rest_s: float = 0.0

    @classmethod
    def flat(cls, bytes_per_s: int, *, stall_every_s: float = 0.0, stall_for_s: float = 0.0) -> "Curve":
        """One rate throughout [bytes/s], with or without stalls."""
        return cls(
            steps=(Step(at_bytes=0, bytes_per_s=bytes_per_s),),
            stall_every_s=stall_every_s,
            stall_for_s=stall_for_s,
        )

    @classmethod
    def cliff(cls, *, fast: int, at_bytes: int, slow: int, rest_s: float = 0.0) -> "Curve":
        """Fast until a cliff, slow after it [bytes/s, bytes]."""
        return cls(
            steps=(Step(at_bytes=0, bytes_per_s=fast), Step(at_bytes=at_bytes, bytes_per_s=slow)),
            rest_s=rest_s,
        )

    @classmethod
    def slide(cls, *, start: int, end: int, over_bytes: int, steps: int = 40) -> "Curve":
        """A slow slide from one rate to another in many small steps [bytes/s, bytes]."""
        return cls(
            steps=tuple(
                Step(
                    at_bytes=over_bytes * index // steps,
                    bytes_per_s=start + (end - start) * index // (steps - 1),
                )
                for index in range(steps)
            )
        )

    def rate_at(self, written_bytes: int) -> int:
        """Give the limit after so many bytes since the last rest [bytes/s]."""
        rate = self.steps[0].bytes_per_s
        for step in self.steps:
            if written_bytes >= step.at_bytes:
                rate = step.bytes_per_s
        return rate

    def to_json(self) -> str:
        """Give the curve as text for another process."""
        return json.dumps(asdict(self))

    @classmethod
    def from_json(cls, text: str) -> "Curve":
        """Read a curve from text."""
        found = json.loads(text)
        return cls(**{**found, "steps": tuple(Step(**step) for step in found["steps"])})
