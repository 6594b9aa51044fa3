"""How fast a trace is judged: a 50,000-block soak, and how the time grows from a thousand to a million."""

import math
import random
import statistics
import time
from collections.abc import Callable
from typing import Any

from ebbmark_agent.evidence import Trace, floor, read_trace

from tests.bench.results import result

COMMAND = "python -m tests.bench --only evidence"
BLOCKS = 50_000
RUNS = 5
RUNS_A_SIZE = 3
SIZES = (1_000, 10_000, 100_000, 1_000_000)


def run() -> list[dict[str, Any]]:
    """Measure and give one result for each figure."""
    trace = _soak(BLOCKS)
    per_block = {size: _per_block_us(size) for size in SIZES}
    return [
        result(
            "evidence.floor_cliffs_settling_50k",
            _runs_s(lambda: floor(trace, buffer_s=1.0), RUNS),
            unit="s",
            bar="<= 1",
            command=COMMAND,
            note="floor with a second of buffer, cliffs and the five-round test, in pure Python",
        ),
        result(
            "evidence.every_figure_50k",
            _runs_s(lambda: read_trace([trace]), RUNS),
            unit="s",
            bar="<= 2",
            command=COMMAND,
            note="thinning, the floor for every buffer and all other figures of 50,000 blocks",
        ),
        result(
            "evidence.growth_1k_to_1m",
            [_growth(per_block)],
            unit="exponent",
            bar="<= 1.1",
            command=COMMAND,
            note="by what power of the blocks the time grows; 1 is linear",
        ),
        *(
            result(
                f"evidence.time_a_block_at_{size}",
                runs,
                unit="us",
                bar="<= 20",
                command=COMMAND,
                note="the bar is a second for 50,000 blocks",
            )
            for size, runs in per_block.items()
        ),
    ]


def _soak(blocks: int) -> Trace:
    """Make a soak with a cliff after a fifth, jitter in every block and a stall now and then."""
    chance = random.Random(blocks)
    times, totals = [0.0], [0]
    for index in range(blocks):
        took = 0.0105 if index < blocks // 5 else 0.07
        took *= chance.uniform(0.5, 1.5)
        if index % 997 == 996:
            took += 0.8
        times.append(times[-1] + took)
        totals.append(totals[-1] + 4_194_304)
    return Trace.from_points(times, totals)


def _per_block_us(blocks: int) -> list[float]:
    trace = _soak(blocks)
    return [took / blocks * 1e6 for took in _runs_s(lambda: floor(trace, buffer_s=1.0), RUNS_A_SIZE)]


def _growth(per_block: dict[int, list[float]]) -> float:
    """Give the exponent by which the whole time grows with the blocks, from the smallest to the largest."""
    small, big = min(per_block), max(per_block)
    ratio = statistics.median(per_block[big]) / statistics.median(per_block[small])
    return 1 + math.log(ratio) / math.log(big / small)


def _runs_s(work: Callable[[], object], runs: int) -> list[float]:
    took = []
    for _ in range(runs):
        started = time.perf_counter()
        work()
        took.append(time.perf_counter() - started)
    return took
