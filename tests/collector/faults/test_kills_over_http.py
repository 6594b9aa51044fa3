"""Two hundred kills -9 of the serving collector while agents post over HTTP, and what is left."""

import json
import os
import random
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import requests
from ebbmark_agent.report import Report
from ebbmark_collector.intake import accept_many
from ebbmark_collector.rounds import judge_fleet
from ebbmark_collector.store import Tx, from_ms, hosts, keeping, reports, rules
from ebbmark_collector.store.sqlite import SqliteStore

from tests.collector import wire
from tests.collector.faults import after_kills
from tests.collector.faults.test_rebuilding import FAILING, SINKING, STEADY, forget_what_was_judged, state
from tests.collector.serving import Served, enrol

KILLS = 200  # [1]
SENDERS = 4  # [1] connections at a time
LATEST_S = 1.0  # [s] after it listens
EARLY = 8  # [1] one start in so many is killed before it is known to listen
FACTORY = Path(__file__).parents[1] / "server" / "kill_serve.py"
RULE = {"matched_by": "serial", "pattern": "S*", "role": "field-recorder"}
ON = {
    "steady": wire.subject(STEADY, ref="d0", volume_id="vol-0"),
    "sinking": wire.subject(SINKING, ref="d1", volume_id="vol-1"),
    "failing": wire.subject(FAILING, ref="d2", volume_id="vol-2"),
}


class Factory:
    """Starts collectors and kills them."""

    def __init__(self, data: Path) -> None:
        self._process = subprocess.Popen(
            [sys.executable, str(FACTORY), str(data)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )

    def _say(self, command: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(f"{command}\n")
        self._process.stdin.flush()

    def line(self) -> str:
        """Give the next line that comes out."""
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line, f"the collectors' factory ended with {self._process.poll()}"
        return line.strip()

    def start(self) -> int:
        """Begin a start; give the process."""
        self._say("start")
        return int(self.line().removeprefix("pid "))

    def address(self) -> tuple[str, str | None]:
        """Wait until it listens; give where, and the admin token where it printed one."""
        token = None
        while not (line := self.line()).startswith("listening on "):
            token = line.removeprefix("admin token: ")
        return line.removeprefix("listening on "), token

    def kill(self, pid: int) -> None:
        """Kill it and wait for its end; what it had still said is passed over."""
        os.kill(pid, signal.SIGKILL)
        self._say("gone")
        while self.line() != "gone":
            pass

    def close(self) -> None:
        """End the factory and what it still runs."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(timeout=30)
        self._process.stdout.close()


@contextmanager
def factory(data: Path) -> Iterator[Factory]:
    """A factory for as long as the block lasts."""
    made = Factory(data)
    try:
        yield made
    finally:
        made.close()


@dataclass
class Agent:
    """One connection's agent: a batch is sent until it is acknowledged, as the real one does."""

    host_id: str
    headers: dict[str, str]
    number: int
    made: int = 0
    waiting: list[dict[str, Any]] = field(default_factory=list)
    acknowledged: set[str] = field(default_factory=set)
    faults: list[str] = field(default_factory=list)

    def _next(self) -> Report:
        now, self.made = datetime.now(UTC), self.made + 1
        which = ("steady", "sinking", "failing")[self.made % 3]
        report_id = f"{self.number}-{self.made}"
        if self.made % 4 == 0:
            rate = 30e6 if which == "sinking" else 400e6
            report = wire.probe(now, rate, steps=64, host_id=self.host_id, on=ON[which])
            result = report.body.result.model_copy(update={"probe_id": f"p-{report_id}"})
            body = report.body.model_copy(update={"result": result})
            return report.model_copy(update={"report_id": f"probe-{report_id}", "body": body})
        errors = self.made if which == "failing" else 0
        report = wire.health(now, host_id=self.host_id, on=ON[which], media_errors=errors)
        return report.model_copy(update={"report_id": f"health-{report_id}"})

    def send(self, url: str, until: threading.Event) -> None:
        """Post batches until it is over or the collector is gone."""
        with requests.Session() as session:
            while not until.is_set():
                if not self.waiting:
                    self.waiting = [json.loads(self._next().model_dump_json()) for _ in range(3)]
                try:
                    answer = session.post(
                        f"{url}/v1/reports", json={"reports": self.waiting}, headers=self.headers, timeout=10
                    )
                    receipt = answer.json()
                except (requests.RequestException, ValueError):
                    return
                if answer.status_code != 200:
                    self.faults.append(f"{answer.status_code}: {answer.text[:300]}")
                    return
                self.acknowledged |= {*receipt["accepted"], *receipt["repeated"]}
                self.waiting = []


def set_up(made: Factory) -> list[Agent]:
    """Enrol a machine over HTTP, give its drives a role, and have it say what it holds and soaked."""
    pid = made.start()
    url, token = made.address()
    assert token is not None
    served = Served(process=None, url=url, first_lines=[], admin_token=token)  # type: ignore[arg-type]
    admin = served.as_admin(token)
    host_id, agent_token = enrol(served, token)
    requests.post(f"{url}/v1/assignments", json=RULE, headers=admin, timeout=10).raise_for_status()
    now = datetime.now(UTC)
    first = [
        wire.inventory(now, identities=[STEADY, SINKING, FAILING], host_id=host_id),
        *(wire.soak(now, 400e6, host_id=host_id, on=ON[which]) for which in ON),
    ]
    named = [
        one.model_copy(update={"report_id": f"{'probe' if number else 'inventory'}-first-{number}"})
        for number, one in enumerate(first)
    ]
    headers = {"Authorization": f"Bearer {agent_token}"}
    told = requests.post(
        f"{url}/v1/reports",
        json={"reports": [json.loads(one.model_dump_json()) for one in named]},
        headers=headers,
        timeout=20,
    )
    assert len(told.json()["accepted"]) == len(named), told.text
    made.kill(pid)
    agents = [Agent(host_id=host_id, headers=headers, number=number) for number in range(SENDERS)]
    agents[0].acknowledged |= set(told.json()["accepted"])
    return agents


def one_life(made: Factory, agents: list[Agent], chance: random.Random, *, early: bool) -> None:
    """Start a collector, have agents post to it, and kill it at a random moment."""
    pid = made.start()
    pause = threading.Event()
    if early:
        pause.wait(chance.uniform(0.0, LATEST_S))
        made.kill(pid)
        return
    url, _ = made.address()
    over = threading.Event()
    senders = [threading.Thread(target=agent.send, args=(url, over), daemon=True) for agent in agents]
    for sender in senders:
        sender.start()
    pause.wait(chance.uniform(0.0, LATEST_S))
    made.kill(pid)
    over.set()
    for sender in senders:
        sender.join(timeout=30)
    assert not any(sender.is_alive() for sender in senders), "a caller hangs on a collector that is gone"


def told_again(lived: SqliteStore, path: Path, host_id: str) -> SqliteStore:
    """Hand every report that is kept to an empty collector, in the order it came."""

    def documents(tx: Tx) -> list[tuple[int, Report]]:
        rows = tx.query("SELECT report_id, received_ms FROM reports ORDER BY received_ms, report_id")
        found = [(row["received_ms"], reports.report(tx, row["report_id"])) for row in rows]
        return [(at, Report.model_validate_json(row["document"])) for at, row in found if row is not None]

    def job(tx: Tx) -> None:
        hosts.add_host(tx, host_id=host_id, name="cut-1", system="Linux", machine_key=None, now_ms=0)
        rules.put_assignment(tx, {"assignment_id": "a", "place_in_order": 1, "created_ms": 0, **RULE})
        rules.set_mark(tx, "told again")  # else another test's rules of this name may be in memory

    again = SqliteStore(path)
    again.write(job)
    waiting = lived.read(documents)
    for start in range(0, len(waiting), 50):
        part = waiting[start : start + 50]
        accept_many(again, [report for _, report in part], host_id=host_id, received_at=from_ms(part[-1][0]))
    return again


@pytest.mark.proof
def test_two_hundred_kills_of_the_serving_collector(tmp_path: Path) -> None:
    """Every acknowledged report is there, none twice; alerts come out the same when made anew from it all."""
    data, chance = tmp_path / "data", random.Random(20_260_302)
    with factory(data) as made:
        agents = set_up(made)
        for kill in range(KILLS):
            one_life(made, agents, chance, early=kill % EARLY == EARLY - 1)
    acknowledged = set().union(*(agent.acknowledged for agent in agents))
    faults = [fault for agent in agents for fault in agent.faults]
    assert faults == []
    assert len(acknowledged) > KILLS

    lived = SqliteStore(data / "collector.db")
    after_kills.check(lived, acknowledged)
    keeping.back_up(data / "collector.db", tmp_path / "wiped.db")
    wiped = SqliteStore(tmp_path / "wiped.db")
    wiped.write(forget_what_was_judged)
    again = told_again(lived, tmp_path / "again.db", agents[0].host_id)
    last = datetime.now(UTC)
    for store in (lived, wiped, again):
        for hours in (1, 30, 60):
            judge_fleet(store, last + timedelta(hours=hours), everything=True)
    states = [state(store) for store in (lived, wiped, again)]
    after_kills.check(lived, acknowledged)
    for store in (lived, wiped, again):
        store.close()

    assert states[0] == states[1] == states[2]
    assert {row["serial"]: row["standing"] for row in states[0]["stands"]}["S0000002"] == "unfit"
    assert {row["serial"] for row in states[0]["open"]} >= {"S0000002", "S0000003"}
