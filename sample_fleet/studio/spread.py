"""How far one studio's physics lies from another's: factors drawn once a seed, threefold from end to end."""

import math
from dataclasses import dataclass
from random import Random

_HALF = math.log(3.0) / 2.0


@dataclass(frozen=True, kw_only=True)
class Spread:
    """Factors of one seed on the constants of all its drives [1], each between 1/sqrt(3) and sqrt(3)."""

    pace: float
    cache: float
    crowding: float
    heat: float
    noise: float
    sickness: float

    @classmethod
    def of(cls, seed: int) -> "Spread":
        """Draw the factors of a seed, evenly on the logarithm."""
        draw = Random(f"{seed}/spread")
        names = ("pace", "cache", "crowding", "heat", "noise", "sickness")
        return cls(**{name: math.exp(draw.uniform(-_HALF, _HALF)) for name in names})
