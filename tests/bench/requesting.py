"""Requests over real HTTP/1.1 on many kept connections from one process, closed or open loop.

One thread and `select`: cheap enough that the server, not the client, is what is measured. A source gives a
connection its next request and is told the answer; it may ask to be left alone for a while (Retry-After).
"""

import heapq
import selectors
import socket
import time
from collections import Counter, deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

Answer = tuple[int, bytes, bytes]  # status, head, body


@dataclass
class Tally:
    """What came back."""

    statuses: Counter[int] = field(default_factory=Counter)
    latencies_s: list[float] = field(default_factory=list)
    without_retry_after: int = 0
    first_s: float = 0.0
    last_s: float = 0.0
    reports: int = 0
    broken: int = 0

    @property
    def took_s(self) -> float:
        """Give the time from the first request to the last answer [s]."""
        return self.last_s - self.first_s


def post(path: str, body: bytes, token: str = "") -> bytes:
    """Write a request."""
    who = f"Authorization: Bearer {token}\r\n" if token else ""
    head = (
        f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n{who}"
        f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
    )
    return head.encode() + body


def get(path: str, token: str) -> bytes:
    """Write a request without a body."""
    return f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {token}\r\n\r\n".encode()


class _Connection:
    def __init__(self, address: tuple[str, int]) -> None:
        self.address = address
        self.sock: socket.socket | None = None
        self.out = b""
        self.got = bytearray()
        self.sent_s = 0.0

    def open(self) -> socket.socket:
        if self.sock is None:
            self.sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
            self.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self.sock.setblocking(False)
            self.sock.connect_ex(self.address)  # in progress; writable once it stands
        return self.sock

    def drop(self) -> None:
        if self.sock is not None:
            self.sock.close()
        self.sock, self.out, self.got = None, b"", bytearray()

    def answer(self) -> Answer | None:
        end = self.got.find(b"\r\n\r\n")
        if end < 0:
            return None
        head = bytes(self.got[:end])
        lower = head.lower()
        at = lower.find(b"content-length:")
        length = int(lower[at + 15 :].split(b"\r\n", 1)[0]) if at >= 0 else 0
        if len(self.got) < end + 4 + length:
            return None
        body = bytes(self.got[end + 4 : end + 4 + length])
        del self.got[: end + 4 + length]
        return int(head[9:12]), head, body


def retry_after_s(head: bytes) -> float | None:
    """Give what a Retry-After header asks for [s], or None."""
    for line in head.split(b"\r\n")[1:]:
        name, _, value = line.partition(b":")
        if name.lower() == b"retry-after":
            return float(value)
    return None


class Caller:
    """Keeps connections busy until a deadline or until the sources are empty.

    Args:
        address: The server.
        sources: One iterator of requests a connection; each request is bytes.
        patience_s: How long answers are waited for after that [s].
        until_s: Monotonic instant at which no new request is sent.
        rate_per_s: Requests a second over all connections, sent whether or not answers came (open loop);
            None sends the next when the answer is there (closed loop).
        close_after: Whether a connection is closed after its answer, as by an agent that comes now and then.
        retry: Whether 429 and 503 are sent again after their Retry-After, as an agent does.
        told: Called with each answer's body of a 2xx.
    """

    def __init__(
        self,
        address: tuple[str, int],
        sources: list[Iterator[bytes]],
        *,
        until_s: float,
        patience_s: float = 90.0,
        rate_per_s: float | None = None,
        retry: bool = False,
        close_after: bool = False,
        told: Callable[[bytes], None] | None = None,
    ) -> None:
        self._sources, self._until_s, self._rate = sources, until_s, rate_per_s
        self._patience_s = patience_s
        self._retry, self._close_after, self._told = retry, close_after, told
        self._connections = [_Connection(address) for _ in sources]
        self._selector = selectors.DefaultSelector()
        self.tally = Tally()
        self._again: list[tuple[float, int, bytes]] = []  # a heap: when, which connection, what
        self._parked: set[int] = set()
        self._kept: dict[int, bytes] = {}
        self._due: deque[float] = deque()

    def run(self) -> Tally:
        """Send and receive until done."""
        self.tally.first_s = time.perf_counter()
        idle = deque(range(len(self._connections)))
        busy: set[int] = set()
        next_due = self.tally.first_s
        while True:
            now = time.perf_counter()
            if self._rate is not None:
                while next_due <= now and next_due < self._until_s:
                    self._due.append(next_due)
                    next_due += 1.0 / self._rate
            self._take_up(idle, busy, now)
            if not busy and not self._again and not self._due and (not idle or now >= self._until_s):
                break
            if now > self._until_s + self._patience_s:
                self.tally.broken += len(busy)
                break
            for key, _ in self._selector.select(self._wait_s(now, next_due, bool(idle))):
                index: int = key.data
                if self._move(index, key.fileobj):  # type: ignore[arg-type]
                    busy.discard(index)
                    if index not in self._parked:
                        idle.append(index)
        for connection in self._connections:
            connection.drop()
        self._selector.close()
        return self.tally

    def _wait_s(self, now: float, next_due: float, has_idle: bool) -> float:
        if self._rate is not None and now < self._until_s:
            return max(0.0, min(0.05, next_due - now))
        return 0.02 if self._again or has_idle else 0.2

    def _take_up(self, idle: deque[int], busy: set[int], now: float) -> None:
        while self._again and self._again[0][0] <= now:
            _, index, request = heapq.heappop(self._again)
            self._parked.discard(index)
            self._send(index, request, now)
            busy.add(index)
        while idle and (self._due if self._rate is not None else now < self._until_s):
            index = idle.popleft()
            request = next(self._sources[index], None)
            if request is None:
                continue
            due = self._due.popleft() if self._rate is not None else now
            self._send(index, request, due)
            busy.add(index)

    def _send(self, index: int, request: bytes, due_s: float) -> None:
        connection = self._connections[index]
        fresh = connection.sock is None
        sock = connection.open()
        connection.out, connection.sent_s = request, due_s
        self._kept[index] = request
        if fresh:
            self._selector.register(sock, selectors.EVENT_READ | selectors.EVENT_WRITE, index)
            return
        self._push(connection, index)

    def _push(self, connection: _Connection, index: int) -> None:
        sock = connection.sock
        assert sock is not None
        try:
            sent = sock.send(connection.out)
        except BlockingIOError:
            sent = 0
        except OSError:
            self._lost(index)
            return
        connection.out = connection.out[sent:]
        events = selectors.EVENT_READ | (selectors.EVENT_WRITE if connection.out else 0)
        self._selector.modify(sock, events, index)

    def _lost(self, index: int) -> None:
        connection = self._connections[index]
        if connection.sock is not None:
            self._selector.unregister(connection.sock)
        connection.drop()
        self.tally.broken += 1
        self._later(index, 1.0)

    def _later(self, index: int, wait_s: float) -> None:
        self._parked.add(index)
        heapq.heappush(self._again, (time.perf_counter() + wait_s, index, self._kept[index]))

    def _move(self, index: int, sock: socket.socket) -> bool:
        connection = self._connections[index]
        if connection.out:
            self._push(connection, index)
            if connection.sock is None:
                return True
        try:
            got = sock.recv(262_144)
        except BlockingIOError:
            return False
        except OSError:
            got = b""
        if not got:
            self._lost(index)
            return True
        connection.got += got
        answer = connection.answer()
        if answer is None:
            return False
        self._take(index, connection, answer)
        return True

    def _take(self, index: int, connection: _Connection, answer: Answer) -> None:
        status, head, body = answer
        now = time.perf_counter()
        self.tally.statuses[status] += 1
        self.tally.last_s = now
        if status in {429, 503}:
            wait_s = retry_after_s(head)
            if wait_s is None:
                self.tally.without_retry_after += 1
            if self._retry:
                self._later(index, wait_s or 1.0)
        elif 200 <= status < 300:
            self.tally.latencies_s.append(now - connection.sent_s)
            if self._told is not None:
                self._told(body)
        if self._close_after or b"connection: close" in head.lower():
            if connection.sock is not None:
                self._selector.unregister(connection.sock)
            connection.drop()
