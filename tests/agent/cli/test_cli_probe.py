"""One probe by hand: its verdict, its exit code, its JSON object."""

import json
import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from ebbmark_agent.bench import (
    WORTH_WAITING_FOR,
    Asked,
    lay_on_bench,
    refusals_by_hand,
    request_for,
    wanted_for,
)
from ebbmark_agent.evidence import Trace, floor
from ebbmark_agent.probe_lock import only_probe
from ebbmark_agent.report import ProbeKind

from tests.agent.cli.conftest import Run
from tests.rigs.curve import Curve
from tests.rigs.loop_drive import LoopDrive, loop_drive
from tests.rigs.probing_agent import agent_in, give_role, probes_kept, until_quiet, volume_on
from tests.rigs.waiting import until

SEAM_KEYS = {
    "kind",
    "bytes_written",
    "read_back_ok",
    "gave_way",
    "floor_bytes_per_s",
    "trace",
    "cliffs",
    "buffer_s",
}


@pytest.mark.rig
def test_the_json_object_holds_to_the_seam(rig: None, run: Run) -> None:
    """A spot with nothing asked ends with 0 and one object whose trace gives its floor."""
    with loop_drive(Curve.flat(180_000_000), size_bytes=1 << 30) as drive:
        until_quiet(drive)
        before = drive.counters()[1]
        result = run("probe", str(drive.mount), "--bytes", "400MB", "--json")
        counted = drive.counters()[1] - before
    document = json.loads(result.stdout)

    assert result.exit_code == 0, result.stderr
    assert document.keys() >= SEAM_KEYS
    assert document["kind"] == "spot"
    assert document["read_back_ok"] is True
    assert document["gave_way"] is False
    assert document["buffer_s"] == 1.0
    assert 0.99 * counted <= document["bytes_written"] <= 400_000_000
    trace = Trace.from_points(document["trace"]["times_s"], document["trace"]["total_bytes"])
    assert floor(trace, buffer_s=1.0).bytes_per_s == pytest.approx(document["floor_bytes_per_s"], rel=0.005)


@pytest.mark.rig
def test_standings_are_exit_codes(rig: None, run: Run) -> None:
    """Soaked over the whole medium: fit 0, marginal 10, unfit 11; a spot alone is unproven 12."""
    with loop_drive(Curve.flat(100_000_000), size_bytes=768 << 20) as drive:
        asked = [
            ("--soak", "--for", "60MB/s"),
            ("--soak", "--for", "80MB/s", "--headroom", "1.5"),
            ("--bytes", "200MB", "--for", "150MB/s"),
            ("--bytes", "200MB", "--for", "60MB/s"),
        ]
        documents = []
        for options in asked:
            until_quiet(drive)
            result = run("probe", str(drive.mount), "--json", *options)
            documents.append((result.exit_code, json.loads(result.stdout)))

    assert [(code, one["standing"]) for code, one in documents] == [
        (0, "fit"),
        (10, "marginal"),
        (11, "unfit"),
        (12, "unproven"),
    ]
    assert documents[0][1]["demand_bytes_per_s"] == 60e6
    assert documents[1][1]["demand_bytes_per_s"] == pytest.approx(120e6)
    assert documents[0][1]["minutes_kind"] in {"proven_for", "unlimited"}
    assert {"minutes_from_rest", "minutes_kind"} <= documents[3][1].keys()


@pytest.mark.rig
def test_people_get_a_verdict_and_a_chart(rig: None, run: Run, tmp_path: Path) -> None:
    """For people the standing comes first, the next step is named, and the chart is an SVG file."""
    with loop_drive(Curve.flat(100_000_000), size_bytes=768 << 20) as drive:
        chart = tmp_path / "chart.svg"
        until_quiet(drive)
        result = run("probe", str(drive.mount), "--bytes", "200MB", "--for", "150MB/s", "--chart", str(chart))

    assert result.exit_code == 11
    assert "UNFIT for 150MB/s" in result.stdout.splitlines()[0]
    assert "next" in result.stdout
    assert chart.read_text().startswith("<svg") or "<svg" in chart.read_text()[:200]


def a_long_probe(drive: LoopDrive) -> "subprocess.Popen[bytes]":
    """Start a probe by hand that writes for some seconds, in a process of its own."""
    words = ["probe", str(drive.mount), "--bytes", "700MB", "--json"]
    return subprocess.Popen(
        [sys.executable, "-c", "from ebbmark_agent.cli import main; main()", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "EBBMARK_STATE_DIR": "/nonexistent/ebbmark"},
    )


def until_written(drive: LoopDrive, at_bytes: int, process: "subprocess.Popen[bytes]") -> None:
    """Wait until the drive has taken so many bytes, while the probe that writes them runs on."""
    until(
        lambda: drive.counters()[1] >= at_bytes or process.poll() is not None,
        within_s=60,
        what="the probe by hand writes",
    )
    assert process.poll() is None, process.communicate()[0]


@pytest.mark.rig
def test_foreign_io_ends_it_without_a_word_against_the_drive(rig: None) -> None:
    """A reader that begins in mid-probe ends it; the object says so, and nothing asked still means 0."""
    with loop_drive(Curve.flat(100_000_000), size_bytes=1 << 30) as drive:
        until_quiet(drive)
        before = drive.counters()[1]
        process = a_long_probe(drive)
        until_written(drive, before + 50_000_000, process)
        subprocess.run(
            ["dd", f"if={drive.device}", "of=/dev/null", "bs=1M", "count=64", "iflag=direct"],
            check=True,
            capture_output=True,
        )
        out, _ = process.communicate(timeout=30)
        left = [path.name for path in drive.mount.iterdir()]
    document = json.loads(out)

    assert process.returncode == 0
    assert document["gave_way"] is True
    assert document["bytes_written"] < 700_000_000
    assert document["gave_way_to"]
    assert left == ["lost+found"]


@pytest.mark.rig
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_calls_it_off_tidily(rig: None, number: signal.Signals) -> None:
    """Ctrl-C and SIGTERM end a probe with its partial object, and no file stays behind."""
    with loop_drive(Curve.flat(60_000_000), size_bytes=1 << 30) as drive:
        free = os.statvfs(drive.mount).f_bfree
        until_quiet(drive)
        before = drive.counters()[1]
        process = a_long_probe(drive)
        until_written(drive, before + 30_000_000, process)
        process.send_signal(number)
        out, _ = process.communicate(timeout=30)
        os.sync()
        left = [path.name for path in drive.mount.iterdir()]
        free_after = os.statvfs(drive.mount).f_bfree

    assert json.loads(out)["outcome"] == "cancelled"
    assert left == ["lost+found"]
    assert free_after == pytest.approx(free, abs=64)


def test_a_missing_mount_is_a_sentence_and_an_object(run: Run, tmp_path: Path) -> None:
    """A path that is not there has its own code, a sentence on stderr and, with --json, an object."""
    result = run("probe", str(tmp_path / "none"), "--json")

    assert result.exit_code == 41
    assert json.loads(result.stdout)["exit_code"] == 41
    assert "Is the volume mounted?" in result.stderr


def test_a_volume_of_the_kernel_is_refused(run: Run) -> None:
    """A file system without a drive beneath is refused with 20 and the reason."""
    result = run("probe", "/proc", "--json")

    assert result.exit_code == 20
    assert {one["code"] for one in json.loads(result.stdout)["refused"]} >= {"uncertain_volume"}


@pytest.mark.parametrize(
    ("named", "says"),
    [("prores-422-hq-uhd-59", "did you mean"), ("0MB/s", "no demand"), ("nothing-known", "by that name")],
)
def test_a_demand_nobody_knows_is_a_sentence(run: Run, tmp_path: Path, named: str, says: str) -> None:
    """A name that is neither a role, a format nor a rate says what is near or what would do."""
    result = run("probe", str(tmp_path), "--for", named)

    assert result.exit_code == 38
    assert says in result.stderr


@pytest.mark.parametrize("count", ["lots", "0", "-5", "12XB"])
def test_bytes_that_are_none_are_refused(run: Run, tmp_path: Path, count: str) -> None:
    """A number of bytes that is none is a fault of usage."""
    assert run("probe", str(tmp_path), "--bytes", count).exit_code == 2


def test_a_rehearsal_needs_a_rate(run: Run, tmp_path: Path) -> None:
    """A rehearsal without a rate to pace itself by, and two kinds at once, are faults of usage."""
    assert run("probe", str(tmp_path), "--rehearsal").exit_code == 2
    assert run("probe", str(tmp_path), "--rehearsal", "--soak", "--for", "1MB/s").exit_code == 2


@pytest.mark.rig
def test_where_an_agent_lives_a_probe_by_hand_is_kept(rig: None, run: Run, tmp_path: Path) -> None:
    """On an enrolled machine the probe's report waits for the collector and its cost is in the ledger."""
    agent = agent_in(tmp_path / "state")
    with loop_drive(Curve.flat(200_000_000), size_bytes=512 << 20) as drive:
        until_quiet(drive)
        result = run("probe", str(drive.mount), "--bytes", "100MB", "--json")
        give_role(agent, drive.mount)
        (member,) = agent.inventory.members(volume_on(agent, drive.mount))
    (kept,) = probes_kept(agent)
    (spent,) = agent.memory.spendings(member.key)

    assert result.exit_code == 0
    assert kept.by_hand
    assert (spent.by_hand, spent.written_bytes) == (True, kept.bytes_written)


@pytest.mark.rig
def test_two_probes_at_once_are_refused(rig: None, run: Run, tmp_path: Path) -> None:
    """While a probe runs on this machine another by hand ends with its own code and writes nothing."""
    agent_in(tmp_path / "state")
    with loop_drive(Curve.flat(200_000_000), size_bytes=512 << 20) as drive, only_probe(tmp_path / "state"):
        result = run("probe", str(drive.mount), "--bytes", "100MB")

    assert result.exit_code == 53


@pytest.mark.rig
def test_a_medium_with_clips_is_not_written_by_hand(rig: None, tmp_path: Path) -> None:
    """A removable medium with a clip on it is refused even with a person's word; empty, the word counts."""
    agent = agent_in(tmp_path / "state", quiet_s=1.0)
    with loop_drive(Curve.flat(200_000_000), size_bytes=512 << 20) as drive:
        bench = lay_on_bench(drive.mount, runner=agent.runner, clock=agent.clock)
        (member,) = bench.members
        card = replace(member, facts=member.facts.model_copy(update={"removable": True}))
        bench = replace(bench, inventory=replace(bench.inventory, drives=(card,)))
        agent.inventory = bench.inventory

        def codes(*, word_given: bool) -> list[str]:
            asked = Asked(path=drive.mount, kind=ProbeKind.SPOT, max_bytes=50_000_000, word_given=word_given)
            wanted = wanted_for(asked, request_for(asked, bench), bench=bench, platform=agent.platform)
            until_quiet(drive)
            found = refusals_by_hand(
                asked, wanted, bench=bench, scene=agent.scene, clock=agent.clock, say=lambda _: None
            )
            # What the file system still tidies up is no matter of whose medium it is.
            return [one.code for one in found if one.code not in WORTH_WAITING_FOR]

        empty = codes(word_given=False), codes(word_given=True)
        (drive.mount / "A001").mkdir()
        (drive.mount / "A001" / "A001C001.mov").write_bytes(b"x")
        full = codes(word_given=True)

    assert empty == (["removable_medium"], [])
    assert full == ["clips_on_medium"]
