"""Runs processes that take in reports and kills each at a random moment; prints the ids they had accepted."""

import json
import os
import random
import signal
import sys
import threading
from datetime import timedelta
from pathlib import Path

from ebbmark_collector.intake import accept
from ebbmark_collector.store import Tx, hosts, rules
from ebbmark_collector.store.sqlite import SqliteStore

sys.path.insert(0, str(Path.cwd()))
from tests.collector import wire
from tests.collector.conftest import NOON


def _prepare(path: Path) -> None:
    def job(tx: Tx) -> None:
        hosts.add_host(tx, host_id="host-1", name="h", system="Linux", machine_key=None, now_ms=0)
        rule = {"assignment_id": "a", "place_in_order": 1, "matched_by": "serial", "pattern": "S*"}
        rules.put_assignment(tx, {**rule, "role": "field-recorder", "created_ms": 0})

    store = SqliteStore(path)
    store.write(job)
    accept(store, wire.inventory(NOON), host_id="host-1", received_at=NOON)
    store.close()


def _work(path: Path, number: int, out: int) -> None:
    store = SqliteStore(path)
    at = NOON + timedelta(hours=number)
    for i in range(10_000):
        at += timedelta(seconds=1)
        made = (
            wire.probe(at, 300e6 if i % 2 else 30e6, steps=64)
            if i % 3 == 0
            else wire.health(at, media_errors=i)
        )
        kind = "probe" if i % 3 == 0 else "health"
        report = made.model_copy(update={"report_id": f"{kind}-{number}-{i}"})
        if i % 3 == 0:
            result = report.body.result.model_copy(update={"probe_id": f"p-{number}-{i}"})
            report = report.model_copy(update={"body": report.body.model_copy(update={"result": result})})
        receipt = accept(store, report, host_id="host-1", received_at=at + timedelta(minutes=1))
        for one in receipt.accepted:
            os.write(out, f"{one}\n".encode())


def main(path: Path, kills: int) -> None:
    """Kill so many processes and print what they had accepted."""
    _prepare(path)
    chance, accepted = random.Random(7), []
    for number in range(kills):
        ours, theirs = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(ours)
            _work(path, number, theirs)
            os._exit(1)
        os.close(theirs)
        threading.Event().wait(chance.uniform(0.02, 0.2))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        with os.fdopen(ours) as pipe:
            accepted += [line.strip() for line in pipe if line.endswith("\n")]
    print(json.dumps(accepted))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
