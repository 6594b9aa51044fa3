"""A paced recorder on a drive: whether the take its role asks for would lose frames in today's condition."""

from dataclasses import dataclass

from sample_fleet.physics.build import Build
from sample_fleet.physics.condition import Condition
from sample_fleet.physics.writing import Writing


@dataclass(frozen=True, kw_only=True)
class Duty:
    """What a drive must record.

    Args:
        rate_bytes_per_s: The streams' sum [bytes/s].
        buffer_s: What the recorder can hold back, in seconds of stream [s].
        take_bytes: Length of the longest take [bytes]; a fuller volume ends it sooner.
        headroom: Factor of caution the studio asks for above the rate [1].
    """

    rate_bytes_per_s: float
    buffer_s: float
    take_bytes: float
    headroom: float = 1.25


@dataclass(frozen=True, kw_only=True)
class Recording:
    """How a take went.

    Args:
        high_water_bytes: The most the recorder had to hold back [bytes].
        lost: Whether that was more than it could.
        hottest_c: The drive's highest temperature [degC].
    """

    high_water_bytes: float
    lost: bool
    hottest_c: float


def record(
    build: Build,
    condition: Condition,
    duty: Duty,
    *,
    longest_stall_s: float = 0.0,
    rate_factor: float = 1.0,
    steps: int = 60,
) -> Recording:
    """Play the role's take against the drive. A recorder opens its file first, so a spin-up costs nothing.

    Args:
        build: The drive.
        condition: Its condition today.
        duty: What it must record.
        longest_stall_s: The longest pause the drive makes during this take [s].
        rate_factor: Factor on the rate, to ask about the rate with headroom [1].
        steps: Number of steps the take is cut into [1].
    """
    rate = duty.rate_bytes_per_s * rate_factor
    buffer_bytes = duty.rate_bytes_per_s * duty.buffer_s
    free = build.capacity_bytes * (1.0 - condition.fill)
    length = min(duty.take_bytes, 0.97 * free)
    drive = Writing.begin(build, condition)
    backlog = high_water = produced = 0.0
    share_of_it = length / steps
    while produced < length:
        left = length - produced
        step = left if left < share_of_it else share_of_it
        duration_s = step / rate
        ability = drive.capacity()
        asked, carried = backlog + step, ability * duration_s
        accepted = asked if asked < carried else carried
        if drive.cache_open and accepted > drive.cache_left > 0.0:
            share = max(drive.cache_left / accepted, 1e-6)
            step, duration_s, accepted = step * share, duration_s * share, drive.cache_left
        idle_share = 1.0 - accepted / (ability * duration_s)
        drive.take(accepted, duration_s, idle_share if idle_share > 0.0 else 0.0)
        backlog = backlog + step - accepted
        if backlog < 0.0:
            backlog = 0.0
        produced += step
        if backlog > high_water:
            high_water = backlog
        if high_water > 4.0 * buffer_bytes:
            break
    high_water += rate * longest_stall_s
    return Recording(high_water_bytes=high_water, lost=high_water > buffer_bytes, hottest_c=drive.hottest_c)
