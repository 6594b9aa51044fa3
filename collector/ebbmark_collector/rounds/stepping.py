"""A round's work in short transactions, so that intake never waits long for the writer.

Twenty drives may take a tenth of a second, and who reports meanwhile would wait as long.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TypeVar

from ebbmark_collector.store import Store, Tx

S = TypeVar("S")

CHUNK = 20  # [1] subjects in one transaction, at the most
STEP_S = 0.02  # [s] after which it takes on no further one


@dataclass(frozen=True, kw_only=True)
class Pace:
    """How a round goes through its subjects; by default as if nobody waited.

    Attributes:
        rest: Called before each transaction to let others go first; gives how long they went.
        now_s: A monotonic clock by which a transaction ends after `STEP_S` [s]; by default it stands still.
    """

    rest: Callable[[], timedelta] = timedelta
    now_s: Callable[[], float] = float


UNHURRIED = Pace()


def go_through(
    store: Store,
    subjects: Sequence[S],
    begin: Callable[[Tx, datetime], Callable[[S], None]],
    now: datetime,
    pace: Pace = UNHURRIED,
) -> None:
    """Look at each subject, some in a transaction, each transaction at its own instant.

    Args:
        store: The store.
        subjects: Their ids, or whatever says which they are.
        begin: Called in each transaction with its instant; gives what looks at a subject in it.
        now: When the first begins, the rest before it not counted.
        pace: When a transaction ends and how long others go first.
    """
    done = 0
    while done < len(subjects):
        chunk = subjects[done : done + CHUNK]
        now += pace.rest()

        def job(tx: Tx, chunk: Sequence[S] = chunk, now: datetime = now) -> int:
            look = begin(tx, now)
            began_s = pace.now_s()
            for number, subject in enumerate(chunk, 1):
                look(subject)
                if pace.now_s() - began_s >= STEP_S:
                    return number
            return len(chunk)

        done += store.write(job)
