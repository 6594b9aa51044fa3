"""Rows of tokens kept for a moment: who calls often costs no read of its own; what was revoked is told."""

from collections.abc import Callable
from typing import Any

from ebbmark_collector.http.tokens import GOOD_FOR_S, TokensSeen
from ebbmark_collector.store import Tx, access

from tests.collector.conftest import Api

CALLERS = [f"caller{number:02}" for number in range(20)]


class Counted:
    """A store that counts what is read of it."""

    def __init__(self, api: Api) -> None:
        self._store = api.store
        self.reads = 0
        api.store.write(self._add)

    def _add(self, tx: Tx) -> None:
        for number, token_id in enumerate(CALLERS):
            access.add_token(
                tx,
                token_id=token_id,
                scope="agent",
                secret_hash=bytes([number]),
                label=token_id,
                created_by="test",
                now_ms=1,
            )

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)

    def read(self, job: Callable[[Tx], Any]) -> Any:
        """Count, and read."""
        self.reads += 1
        return self._store.read(job)


def each_asks(tokens: TokensSeen, *, times: int) -> None:
    """Let every caller ask in turn, so many times."""
    for token_id in CALLERS * times:
        tokens.row(token_id)


def test_those_that_call_often_are_read_together(api: Api) -> None:
    """Twenty that ask again within a second cost one read in the next, and each gets its own row."""
    store, now_s = Counted(api), 0.0
    tokens = TokensSeen(store, lambda: now_s)
    each_asks(tokens, times=2)
    assert store.reads == len(CALLERS)
    now_s = GOOD_FOR_S

    rows = [tokens.row(token_id) for token_id in CALLERS]

    assert store.reads == len(CALLERS) + 1
    assert [row and bytes(row["hash"]) for row in rows] == [bytes([number]) for number in range(20)]


def test_one_that_calls_seldom_is_read_alone(api: Api) -> None:
    """Whoever did not ask again is not read along: a large fleet's rare calls cost one row each."""
    store, now_s = Counted(api), 0.0
    tokens = TokensSeen(store, lambda: now_s)
    each_asks(tokens, times=1)
    now_s = 300.0
    tokens.row(CALLERS[0])
    before = store.reads

    tokens.row(CALLERS[1])

    assert store.reads == before + 1


def test_one_revoked_elsewhere_is_told_when_read_along(api: Api) -> None:
    """A row brought along by another's call is as new as one read for itself."""
    store, now_s = Counted(api), 0.0
    tokens = TokensSeen(store, lambda: now_s)
    each_asks(tokens, times=2)
    api.store.write(lambda tx: access.revoke_token(tx, CALLERS[7], 5))
    now_s = GOOD_FOR_S
    tokens.row(CALLERS[3])

    row = tokens.row(CALLERS[7])

    assert row is not None
    assert row["revoked_ms"] == 5


def test_what_is_forgotten_while_it_is_read_is_not_kept(api: Api) -> None:
    """A revocation between the read and the keeping counts at the next call."""
    store = Counted(api)
    tokens = TokensSeen(store, lambda: 0.0)
    read = store.read

    def read_and_forget(job: Callable[[Tx], Any]) -> Any:
        found = read(job)
        tokens.forget()
        return found

    store.read = read_and_forget  # type: ignore[method-assign]
    tokens.row(CALLERS[0])
    tokens.row(CALLERS[0])

    assert store.reads == 2
