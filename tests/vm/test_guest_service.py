"""Both services under systemd as PID 1: installed from a bundle, enrolled, watched, killed, frozen, stopped, removed."""

import io
import tarfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from tests.rigs.guest import run_guest
from tests.rigs.lock import rig_lock
from tests.rigs.wheel import ROOT, build_wheel

pytestmark = pytest.mark.vm

# The rig lays the code into the guest's libraries; here the wheel is to be installed as on any machine.
JOB = """
rm -rf "$SITE"/ebbmark_agent "$SITE"/ebbmark_collector /opt/ebbmark/bin/ebbmark*
tar -xf bundle.tar
/usr/bin/env PYTHONPATH= /opt/ebbmark/bin/python driver.py >driver.out 2>&1 || { echo broken off; cat driver.out; }
echo "== end"
"""


def pack_bundle(folder: Path, *, wheels: Sequence[Path] = ()) -> bytes:
    """Pack what an offline bundle holds; the guest's own libraries stand for all other wheels."""
    wheel = build_wheel(folder)
    packed = io.BytesIO()
    with tarfile.open(fileobj=packed, mode="w") as tar:
        for part in ("install.sh", "uninstall.sh", "README.md", "agent.toml", "collector.toml", "systemd"):
            tar.add(ROOT / "deploy" / part, f"bundle/{part}")
        for one in (wheel, *wheels):
            tar.add(one, f"bundle/wheels/{one.name}")
    return packed.getvalue()


@pytest.fixture(scope="module")
def seen(guest: None, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Run the whole life of an installation in one guest and give what was seen there."""
    bundle = pack_bundle(tmp_path_factory.mktemp("bundle"))
    driver = (Path(__file__).parent / "service_driver.py").read_bytes()
    with rig_lock():
        run = run_guest(
            tmp_path_factory.mktemp("service"),
            JOB,
            systemd=True,
            files={"bundle.tar": bundle, "driver.py": driver},
        )
    document: dict[str, Any] = run.document("seen.json")
    assert "failed" not in document, (document["failed"], document["marks"], run.output[-3000:])
    return document


def test_the_collector_is_ready_under_its_unit(seen: dict[str, Any]) -> None:
    """The collector's unit becomes active because the collector said READY."""
    assert seen["collector"]["ActiveState"] == "active"
    assert seen["collector"]["StatusText"] == "taking in reports"


def test_the_first_admin_token_is_for_root_alone(seen: dict[str, Any]) -> None:
    """The first run's token lies in a file only root can read and never in the journal."""
    assert seen["first_run_mode"] == "600 0"
    assert seen["token_in_journal"] is False


def test_the_agent_is_ready_under_its_unit(seen: dict[str, Any]) -> None:
    """The agent's unit becomes active because the agent said READY, and signs of life follow."""
    assert seen["agent"]["ActiveState"] == "active"
    assert seen["agent"]["StatusText"] == "looking after the drives"
    assert int(seen["agent_later"]["WatchdogTimestampMonotonic"]) > int(
        seen["agent"]["ExecMainStartTimestampMonotonic"]
    )


def test_hardening_does_not_keep_smartctl_from_either_drive(seen: dict[str, Any]) -> None:
    """The health of the emulated NVMe and SATA drives reaches the collector: 50 C and 31 C are the emulator's own."""
    assert seen["health"]["RIGNVME0001"]["temperature_c"] == 50
    assert seen["health"]["RIGSATA0001"]["temperature_c"] == 31


def test_hardening_does_not_hide_open_files(seen: dict[str, Any]) -> None:
    """A file that another user has open for writing on the volume holds the probe back."""
    assert "open_writers" in seen["open_writers"]


def test_automatic_probes_reach_volumes_mounted_before_and_after_the_start(seen: dict[str, Any]) -> None:
    """A spot probe of the volume under /mnt and of the one mounted later under /media arrives, read back."""
    for serial in ("RIGNVME0001", "RIGSATA0001"):
        probe = seen["probes"][serial]
        assert probe["kind"] == "spot"
        assert probe["outcome"] == "completed"
        assert probe["read_back_ok"] is True
    assert seen["left_on_volumes"] == []


def test_a_killed_agent_is_started_again(seen: dict[str, Any]) -> None:
    """After SIGKILL the agent is back as another process."""
    before, after = seen["killed"]
    assert after["ActiveState"] == "active"
    assert after["MainPID"] != before["MainPID"]
    assert int(after["NRestarts"]) == 1


def test_a_frozen_collector_is_replaced(seen: dict[str, Any]) -> None:
    """A collector that gives no sign of life within the watchdog's deadline is killed and started again."""
    before, after = seen["frozen"]
    assert after["MainPID"] != before["MainPID"]
    assert "Watchdog timeout" in seen["collector_journal"]


@pytest.mark.parametrize("unit", ["ebbmark-agent", "ebbmark-collector"])
def test_a_stop_is_graceful(seen: dict[str, Any], unit: str) -> None:
    """Told to stop, the service ends by itself with code 0, long before it would be killed."""
    stopped = seen[f"{unit} stopped"]
    assert stopped["ActiveState"] == "inactive"
    assert stopped["Result"] == "success"
    assert stopped["ExecMainStatus"] == "0"
    assert stopped["took_s"] < 25


def test_uninstalling_leaves_nothing(seen: dict[str, Any]) -> None:
    """No file, unit, user or folder of ours is left, on the system or on the volumes."""
    assert seen["left"] == []
    assert seen["units_left"].strip() == ""
    assert seen["user_left"] == ""
