"""The spool: nothing is lost, nothing is kept for ever, and what is let go is told."""

import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from ebbmark_agent.database import AgentDatabase
from ebbmark_agent.errors import StateDamagedError, StateUnusableError
from ebbmark_agent.report import (
    Assessment,
    Body,
    DriveIdentity,
    FindingBody,
    FindingFacts,
    HealthBody,
    HealthReading,
    HealthState,
    IdentityConfidence,
    InventoryBody,
    Report,
    StatusBody,
    Subject,
)
from ebbmark_agent.settings import SpoolSettings
from ebbmark_agent.spool import Spool

NOW = datetime(2026, 3, 10, tzinfo=UTC)
SUBJECT = Subject(ref="d1", identity=DriveIdentity(confidence=IdentityConfidence.OWN, serial="INVENTED1"))
ROOMY = SpoolSettings()


def health(*, at: datetime = NOW, failed: bool = False) -> HealthBody:
    """Make a health body."""
    return HealthBody(
        subject=SUBJECT,
        reading=HealthReading(
            read_at=at,
            state=HealthState.READ,
            sentence="Read.",
            assessment=Assessment.FAILED if failed else Assessment.PASSED,
        ),
    )


def finding(code: str = "wrong_read_back") -> FindingBody:
    """Make a finding."""
    return FindingBody(
        subject=SUBJECT, finding=FindingFacts(code=code, found_at=NOW, sentence="Read back wrong.")
    )


def report(sequence: int, body: Body, *, at: datetime = NOW) -> Report:
    """Wrap a body in its envelope."""
    return Report(
        report_id=f"r-{sequence}",
        host_id="host-1",
        agent_version="0.1.0",
        made_at=at,
        sequence=sequence,
        body=body,
    )


def spool_in(folder: Path, limits: SpoolSettings = ROOMY) -> Spool:
    """Open a spool in a folder."""
    return Spool(AgentDatabase(folder / "agent.db"), limits=limits)


def kinds(spool: Spool) -> list[str]:
    """Give the kinds that wait, in order."""
    return [one.kind for one in spool.next_batch(most=100_000, most_bytes=10**9)]


def tight(rows: int) -> SpoolSettings:
    """Bound a spool by rows, below what settings allow a person to ask for."""
    return SpoolSettings.model_construct(max_reports=rows, max_bytes=10**9)


def test_reports_come_back_in_order_as_they_were(tmp_path: Path) -> None:
    """What went in comes out oldest first, equal to the report that was made, also after a restart."""
    first = spool_in(tmp_path)
    made = [first.add(lambda sequence: report(sequence, health())) for _ in range(3)]

    again = spool_in(tmp_path).next_batch(most=10, most_bytes=10**6)

    assert [Report.model_validate_json(one.body) for one in again] == made
    assert [one.sequence for one in again] == [1, 2, 3]


def test_a_batch_is_bounded_but_never_empty(tmp_path: Path) -> None:
    """A batch holds to the count and the size, and one report larger than the size still goes."""
    spool = spool_in(tmp_path)
    for _ in range(5):
        spool.add(lambda sequence: report(sequence, health()))

    assert len(spool.next_batch(most=2, most_bytes=10**6)) == 2
    assert len(spool.next_batch(most=5, most_bytes=1)) == 1


def test_sequence_numbers_are_never_given_twice(tmp_path: Path) -> None:
    """After everything was delivered and the agent restarted, numbers go on rising."""
    spool = spool_in(tmp_path)
    spool.add(lambda sequence: report(sequence, health()))
    spool.settle(delivered=["r-1"], refused={}, now=NOW)

    assert spool_in(tmp_path).add(lambda sequence: report(sequence, health())).sequence == 2


def test_routine_health_goes_first_and_findings_never(tmp_path: Path) -> None:
    """Over the bound the oldest routine health is let go; trouble stays longer, findings for ever."""
    spool = spool_in(tmp_path, tight(4))
    for body in (
        finding(),
        health(failed=True),
        health(),
        InventoryBody(host_name="h", system="s", drives=()),
    ):
        spool.add(lambda sequence, body=body: report(sequence, body))
    for _ in range(6):
        spool.add(lambda sequence: report(sequence, finding()))

    assert kinds(spool) == ["finding"] * 7


def test_the_drop_order_is_by_importance_then_age(tmp_path: Path) -> None:
    """The oldest of the least important is the one let go."""
    spool = spool_in(tmp_path, tight(3))
    for body in (InventoryBody(host_name="h", system="s", drives=()), health(), health()):
        spool.add(lambda sequence, body=body: report(sequence, body))
    spool.add(lambda sequence: report(sequence, finding()))

    assert [(one.sequence, one.kind) for one in spool.next_batch(most=9, most_bytes=10**6)] == [
        (1, "inventory"),
        (3, "health"),
        (4, "finding"),
    ]


def test_bytes_are_bounded_too(tmp_path: Path) -> None:
    """The bound on bytes lets go of as many as it takes."""
    spool = spool_in(tmp_path, SpoolSettings.model_construct(max_reports=10**6, max_bytes=3_000))
    for _ in range(50):
        spool.add(lambda sequence: report(sequence, health()))

    assert sum(len(one.body) for one in spool.next_batch(most=99, most_bytes=10**9)) <= 3_000
    assert spool.next_batch(most=99, most_bytes=10**9)[-1].sequence == 50


def test_the_next_status_tells_what_was_dropped(tmp_path: Path) -> None:
    """What was let go is counted by kind into the next status, once."""
    spool = spool_in(tmp_path, tight(3))
    for _ in range(8):
        spool.add(lambda sequence: report(sequence, health()))

    def status(sequence: int, dropped: tuple, set_aside: int) -> Report:
        return report(sequence, StatusBody(dropped=dropped, set_aside=set_aside))

    told = spool.add_status(status).body
    assert isinstance(told, StatusBody)
    assert [(one.kind, one.count) for one in told.dropped] == [("health", 5)]

    spool.settle(delivered=["r-9"], refused={}, now=NOW)
    later = spool.add_status(status).body

    assert isinstance(later, StatusBody)
    # The status itself pushed out one more reading: four reports had to fit into three.
    assert [(one.kind, one.count) for one in later.dropped] == [("health", 1)]


def test_a_replaced_status_hands_its_counts_on(tmp_path: Path) -> None:
    """Only one status waits at a time, and the counts of the one it replaced are not forgotten."""
    spool = spool_in(tmp_path, tight(3))
    for _ in range(5):
        spool.add(lambda sequence: report(sequence, finding() if sequence > 2 else health()))

    def status(sequence: int, dropped: tuple, set_aside: int) -> Report:
        return report(sequence, StatusBody(dropped=dropped, set_aside=set_aside))

    spool.add_status(status)
    spool = spool_in(tmp_path, tight(30))
    told = spool.add_status(status).body

    assert isinstance(told, StatusBody)
    assert [(one.kind, one.count) for one in told.dropped] == [("health", 2), ("status", 1)]
    assert kinds(spool).count("status") == 1


def test_a_refused_report_is_set_aside_with_the_reason(tmp_path: Path) -> None:
    """A refused report leaves the queue, keeps its reason, and the rest goes on."""
    spool = spool_in(tmp_path)
    for _ in range(3):
        spool.add(lambda sequence: report(sequence, health()))
    spool.settle(delivered=["r-1"], refused={"r-2": "its clock is a year ahead"}, now=NOW)

    assert [one.report_id for one in spool.next_batch(most=9, most_bytes=10**6)] == ["r-3"]
    assert [(one.report_id, one.problem) for one in spool.set_aside()] == [
        ("r-2", "its clock is a year ahead")
    ]
    assert Report.model_validate_json(spool.set_aside()[0].body).sequence == 2


def test_thirty_days_away_then_in_order_exactly_once(tmp_path: Path) -> None:
    """With the collector away for 30 days, the rest arrives in order, each once, though acks get lost."""
    spool = spool_in(tmp_path, tight(900))
    dice = random.Random(7)
    for hour in range(30 * 24):
        at = NOW + timedelta(hours=hour)
        for body in [health(at=at)] * 2 + [finding()] * (hour % 100 == 0):
            spool.add(lambda sequence, body=body, at=at: report(sequence, body, at=at))

    arrived: list[int] = []
    known: set[str] = set()
    while batch := spool.next_batch(most=200, most_bytes=10**6):
        for one in batch:
            if one.report_id not in known:
                arrived.append(one.sequence)
                known.add(one.report_id)
        if dice.random() < 0.7:  # in three of ten the answer is lost on its way back
            spool.settle(delivered=[one.report_id for one in batch], refused={}, now=NOW)

    findings = [sequence for sequence in range(1, 1449) if f"r-{sequence}" in known]
    assert arrived == sorted(set(arrived)) == findings
    assert len(arrived) == 900
    assert spool.waiting() == 0


CHILD = """
import sys
from datetime import UTC, datetime
from pathlib import Path
sys.path.insert(0, {root!r})
from tests.agent.test_spool import finding, report, spool_in
spool = spool_in(Path({folder!r}))
while True:
    made = spool.add(lambda sequence: report(sequence, finding()))
    print(made.report_id, flush=True)
"""


@pytest.mark.parametrize("seed", range(8))
def test_killed_at_any_point_nothing_said_to_be_kept_is_lost(tmp_path: Path, seed: int) -> None:
    """After SIGKILL at a random moment every report whose `add` had returned is there, in order, once."""
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD.format(root=str(Path.cwd()), folder=str(tmp_path))],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert child.stdout is not None
    said = [child.stdout.readline().strip()]
    time.sleep(random.Random(seed).uniform(0.0, 0.15))
    os.kill(child.pid, signal.SIGKILL)
    rest, _ = child.communicate()
    said += [line for line in rest.splitlines() if line]

    kept = [one.report_id for one in spool_in(tmp_path).next_batch(most=10**6, most_bytes=10**9)]

    assert said[0] == "r-1"
    assert kept[: len(said)] == said
    assert len(kept) - len(said) in {0, 1}
    assert kept == [f"r-{number}" for number in range(1, len(kept) + 1)]


def test_commits_are_on_the_medium(tmp_path: Path) -> None:
    """The database waits for the medium at every commit and writes ahead, so power loss tears nothing."""
    database = AgentDatabase(tmp_path / "agent.db")
    with database.transaction() as db:
        assert db.execute("PRAGMA synchronous").fetchone()[0] == 2
        assert db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"


def test_every_table_is_strict(tmp_path: Path) -> None:
    """Each of our tables refuses values of the wrong type."""
    database = AgentDatabase(tmp_path / "agent.db")
    with database.transaction() as db:
        loose = db.execute(
            "SELECT name FROM pragma_table_list WHERE schema = 'main' AND type = 'table' AND strict = 0 "
            "AND name NOT LIKE 'sqlite%' AND name NOT LIKE '_sqlite%'"
        ).fetchall()

    assert loose == []


def test_an_exception_undoes_a_transaction(tmp_path: Path) -> None:
    """A failure in the middle leaves nothing half done."""
    spool = spool_in(tmp_path)

    def broken(sequence: int) -> Report:
        raise RuntimeError(str(sequence))

    with pytest.raises(RuntimeError):
        spool.add(broken)

    assert spool.waiting() == 0
    assert spool.add(lambda sequence: report(sequence, health())).sequence == 1


def test_two_starters_make_one_schema(tmp_path: Path) -> None:
    """Several processes that start at once on a new folder all succeed."""
    code = (
        "import sys; from pathlib import Path; from ebbmark_agent.database import AgentDatabase; "
        "AgentDatabase(Path(sys.argv[1]))"
    )
    children = [
        subprocess.Popen([sys.executable, "-c", code, str(tmp_path / "agent.db")], stderr=subprocess.PIPE)
        for _ in range(4)
    ]

    outcomes = [child.communicate() and child.returncode for child in children]

    assert outcomes == [0, 0, 0, 0]


def test_a_damaged_database_is_a_sentence(tmp_path: Path) -> None:
    """A file that is no database says so and what to do."""
    (tmp_path / "agent.db").write_bytes(b"not a database, " * 1000)

    with pytest.raises(StateDamagedError, match="Move it aside"):
        AgentDatabase(tmp_path / "agent.db")


def test_a_folder_that_cannot_be_made_is_a_sentence(tmp_path: Path) -> None:
    """A state folder below a plain file says that the agent cannot keep its state there."""
    (tmp_path / "file").write_text("")

    with pytest.raises(StateUnusableError, match="state_dir"):
        AgentDatabase(tmp_path / "file" / "agent.db")


def test_a_torn_write_ahead_log_loses_at_most_what_was_not_committed(tmp_path: Path) -> None:
    """With the log's tail torn off, as power loss may leave it, the database opens with a clean prefix."""
    spool = spool_in(tmp_path)
    for _ in range(20):
        spool.add(lambda sequence: report(sequence, finding()))
    copy = tmp_path / "copy"
    copy.mkdir()
    for name in ("agent.db", "agent.db-wal"):
        (copy / name).write_bytes((tmp_path / name).read_bytes())
    log = copy / "agent.db-wal"
    log.write_bytes(log.read_bytes()[: log.stat().st_size * 2 // 3])

    kept = [one.sequence for one in spool_in(copy).next_batch(most=99, most_bytes=10**9)]

    assert kept == list(range(1, len(kept) + 1))
    assert 0 < len(kept) < 20
    with sqlite3.connect(copy / "agent.db") as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()


def test_the_stored_text_is_the_wire_text(tmp_path: Path) -> None:
    """What waits is plain JSON without absent fields, ready to be sent as it is."""
    spool = spool_in(tmp_path)
    spool.add(lambda sequence: report(sequence, health()))

    body = json.loads(spool.next_batch(most=1, most_bytes=1)[0].body)

    assert body["body"]["reading"]["assessment"] == "passed"
    assert "temperature_c" not in body["body"]["reading"]
