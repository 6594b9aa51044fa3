"""The wear budget: how many bytes probing may write to one drive within 365 days, and what is left of them.

1. Rated endurance known: a share of it, 1 % unless set otherwise.
2. Not known: a stated number of bytes a day.
3. Cards and other removable media: whole-medium writes a year, and only those a person asks for; automatic
   probes have none.
Source: own rule; rated endurance (TBW) is the maker's figure.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

SPAN = timedelta(days=365)


@dataclass(frozen=True, kw_only=True)
class Spending:
    """One probe's cost, as kept in the ledger."""

    at: datetime
    written_bytes: int
    by_hand: bool


@dataclass(frozen=True, kw_only=True)
class Budget:
    """What probing may cost and has cost within the last 365 days [bytes]."""

    allowed_bytes: int
    spent_bytes: int
    basis: str

    @property
    def left_bytes(self) -> int:
        """What is left, never below zero [bytes]."""
        return max(0, self.allowed_bytes - self.spent_bytes)


def spent_bytes(spendings: tuple[Spending, ...], *, now: datetime) -> int:
    """Sum what was spent within the 365 days before an instant.

    Args:
        spendings: The ledger; entries later than now (a clock that jumped back) count too.
        now: The instant.

    Returns:
        The sum [bytes].
    """
    return sum(one.written_bytes for one in spendings if one.at > now - SPAN)


def wear_budget(
    *,
    rated_endurance_bytes: int | None,
    wear_share_a_year: float,
    unrated_bytes_a_day: int,
    capacity_bytes: int | None,
    removable: bool,
    card_writes_a_year: float,
    by_hand: bool,
    spent: int,
) -> Budget:
    """Work out a drive's budget.

    Args:
        rated_endurance_bytes: The maker's figure [bytes], or None.
        wear_share_a_year: The share of it for probing in 365 days [1].
        unrated_bytes_a_day: For drives without a figure [bytes/day].
        capacity_bytes: The medium's capacity [bytes], or None.
        removable: A card or another removable medium.
        card_writes_a_year: Whole-medium writes in 365 days a person may ask of one [1].
        by_hand: Whether a person asks.
        spent: Within the last 365 days [bytes].

    Returns:
        The budget with its basis in words.
    """
    if removable:
        writes = card_writes_a_year if by_hand else 0.0
        return Budget(
            allowed_bytes=int(writes * (capacity_bytes or 0)),
            spent_bytes=spent,
            basis=f"{writes:g} whole-medium writes a year on a removable medium",
        )
    if rated_endurance_bytes:
        return Budget(
            allowed_bytes=int(rated_endurance_bytes * wear_share_a_year),
            spent_bytes=spent,
            basis=f"{wear_share_a_year:.2%} of {rated_endurance_bytes / 1e12:g} TB rated endurance a year",
        )
    return Budget(
        allowed_bytes=unrated_bytes_a_day * SPAN.days,
        spent_bytes=spent,
        basis=f"{unrated_bytes_a_day / 1e9:g} GB a day, no rated endurance being known",
    )
