"""Several workers on one PostgreSQL: all take in reports, one leads, and another leads when it is killed."""

import re
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import psycopg
import pytest
import requests

from tests.collector.serving import Served, enrol, start

pytestmark = pytest.mark.postgres


@pytest.fixture
def workers(tmp_path: Path, new_postgres: Callable[[], str]) -> Iterator[tuple[list[Served], str]]:
    """Three collectors, each a process of its own, on one database."""
    dsn = new_postgres()
    config = tmp_path / "collector.toml"
    config.write_text(f'[store]\npostgresql = "{dsn}"\npool = 4\n')
    with ExitStack() as stack:
        running = []
        for number in range(3):
            served = start(tmp_path / f"worker-{number}", "--config", str(config))
            stack.callback(_end, served)
            running.append(served)
        yield running, dsn


def _end(served: Served) -> None:
    if served.process.poll() is None:
        served.process.kill()
    served.process.wait(timeout=20)
    assert served.process.stdout is not None
    served.process.stdout.close()


def _leader(dsn: str) -> tuple[str, int] | None:
    with psycopg.connect(dsn) as conn:
        row = conn.execute("SELECT owner, until_ms FROM leases WHERE name = 'rounds'").fetchone()
    return (str(row[0]), int(row[1])) if row else None


def _log(tmp_path: Path, number: int) -> str:
    return (tmp_path / f"worker-{number}.log").read_text()


def test_another_leads_within_ten_seconds_of_a_kill(
    tmp_path: Path, workers: tuple[list[Served], str]
) -> None:
    """The worker that leads is killed with kill -9; one of the others says that it leads within 10 s."""
    running, dsn = workers
    leading = [n for n in range(3) if "this process leads the rounds" in _log(tmp_path, n)]
    assert len(leading) == 1
    before = _leader(dsn)
    assert before is not None

    running[leading[0]].end(signal.SIGKILL)
    killed_s = time.monotonic()
    now = before
    while now == before or (now and now[0] == before[0]):
        assert time.monotonic() - killed_s < 10, "nobody took over within 10 s"
        time.sleep(0.1)  # the database is asked; there is no event to wait on across processes
        now = _leader(dsn) or before

    others = [n for n in range(3) if n not in leading and "this process leads" in _log(tmp_path, n)]
    assert len(others) == 1


def test_every_worker_knows_what_any_took_in(workers: tuple[list[Served], str]) -> None:
    """A machine enrolled at one worker is known at the next; the first run's token is printed once."""
    running, _ = workers
    tokens = [served.admin_token for served in running if served.admin_token]
    assert len(tokens) == 1

    host_id, _ = enrol(running[0], tokens[0])

    for served in running:
        answer = requests.get(
            f"{served.url}/v1/hosts/{host_id}", headers={"Authorization": f"Bearer {tokens[0]}"}, timeout=10
        )
        assert answer.status_code == 200
        assert re.match("[0-9a-z]{26}", answer.json()["host_id"])
