"""The agent itself runs in the emulated machine, allowed to write and asked to: what it must still not do."""

import json
import re
import time
from pathlib import Path
from typing import Any

import pytest

from tests.rigs.guest import Control, GuestRun, run_guest

pytestmark = pytest.mark.vm

MB = 1_000_000
# What the emulator holds the NVMe drive to: slow, for the processor is emulated too, and two guests may share it.
FLAT, FAST, SLOW = 25 * MB, 20 * MB, 5 * MB  # [bytes/s]
CLIFF = 200 * MB  # [bytes]
# From byte to byte, where a rate is compared: neither the burst at the begin nor what the file system adds.
FLAT_PART, FAST_PART, SLOW_PART = (30 * MB, 180 * MB), (30 * MB, 180 * MB), (210 * MB, 250 * MB)  # [bytes]

SETTINGS = b"""state_dir = "/run/agent"
[collector]
url = "http://127.0.0.1:9"
[limits]
writes_allowed = true
probe_hours = ["00:00-24:00"]
quiet_s = 2
allow_unknown_temperature = true
min_free_bytes = 100000000
min_free_share = 0.01
rest_after_probe_s = 0.1
unrated_bytes_a_day = 900000000000
"""

ORDERS = r"""
import os, sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from ebbmark_agent.database import AgentDatabase
from ebbmark_agent.drives import scan
from ebbmark_agent.memory import Enrolment, Memory
from ebbmark_agent.report import Orders, ProbeKind, ProbeOrder, SubjectOrder

state = Path(os.environ.get("EBBMARK_STATE_DIR", "/run/agent"))
state.mkdir(exist_ok=True)
memory = Memory(AgentDatabase(state / "agent.db"))
memory.enrolled(Enrolment(host_id="rig", collector_url="http://127.0.0.1:9"))
(state / "token").write_text("agent-token-of-the-rig")
(state / "token").chmod(0o600)
now = datetime.now(UTC)
volumes = [one for one in scan().volumes if one.mount_point in sys.argv[1:]]
assert len(volumes) == len(sys.argv) - 1, volumes
span = {"not_before": now - timedelta(hours=1), "ends_at": now + timedelta(days=1)}
memory.hold_orders(
    Orders(
        host_id="rig", issued_at=now, valid_until=now + timedelta(days=1), probing_enabled=True,
        subjects=tuple(
            SubjectOrder(volume_id=one.facts.volume_id, role="field-recorder", recorder=True,
                         spot_every_s=1.0, spot_bytes=300_000_000, soak_every_s=2.0)
            for one in volumes
        ),
        probes=tuple(
            ProbeOrder(order_id=f"order-{number}", volume_id=one.facts.volume_id, kind=ProbeKind.SOAK,
                       max_bytes=300_000_000, **span)
            for number, one in enumerate(volumes)
        ),
    ),
    tag=None,
)
"""

TAKE = r"""
import mmap, os, sys, time
frame = mmap.mmap(-1, 1 << 20)
clip = os.open(sys.argv[1], os.O_CREAT | os.O_WRONLY | os.O_DIRECT)
begin = time.monotonic()
for number in range(int(float(sys.argv[2]) * 10)):
    os.pwrite(clip, frame, number % 64 << 20)
    time.sleep(max(0.0, begin + (number + 1) / 10 - time.monotonic()))
"""

JOB = r"""
modprobe exfat
export EBBMARK_SETTINGS=/run/host/agent.toml
disk() { for d in /sys/block/sd* /sys/block/nvme*; do n=$(basename $d)
  udevadm info -q property /dev/$n | grep -q "=$1\$" && echo $n && return; done; }
left() { find "$1" -mindepth 1 ! -name lost+found | wc -l; }
udevadm settle
CARD=$(disk RIGCARD01); NEW=$(disk RIGEMPTY1); BARE=$(disk RIGBARE01); A=$(disk RIGSATA0001); B=$(disk RIGSATA0002)
mkdir -p /mnt/card /mnt/new /mnt/a /mnt/b /mnt/n
echo "card $CARD new $NEW bare $BARE a $A b $B"
for u in $CARD $NEW $BARE; do mkfs.exfat /dev/$u >/dev/null; done
mount /dev/$CARD /mnt/card; mkdir -p /mnt/card/REEL_A; head -c 3000000 /dev/urandom >/mnt/card/REEL_A/A001C001.MOV
umount /mnt/card; mount -o noatime /dev/$CARD /mnt/card; mount -o noatime /dev/$NEW /mnt/new; udevadm settle; sync; sleep 1

echo "== card"
python orders.py /mnt/card /mnt/new
C0=$(written $CARD); N0=$(written $NEW); V0=$(written $BARE); ask card_before
ebbmark-agent run --one-round 2>card_round.log; echo round rc $?
ebbmark-agent run 2>card_service.log & P=$!
n=0; while ! grep -q starts card_service.log && [ $n -lt 300 ]; do sleep 0.2; n=$((n+1)); done
sleep 15; kill -TERM $P; wait $P; echo service rc $?
ebbmark-agent why --json >card_why.json 2>card_why.err; echo why rc $?
sync; sleep 1; ask card_after
echo written $(( $(written $CARD) - C0 )) $(( $(written $NEW) - N0 )) $(( $(written $BARE) - V0 ))
echo files $(find /mnt/card -type f | wc -l) $(left /mnt/new); echo bare mounted $(grep -c /dev/$BARE /proc/mounts)
ebbmark-agent health --json >health.json 2>health.err
umount /mnt/card

echo "== usb"
# By hand on the empty medium, with the word given, beside a take on the other USB disk of one hub.
readlink -f /sys/block/$NEW /sys/block/$BARE
mkfs.exfat /dev/$BARE >/dev/null; mount /dev/$BARE /mnt/card; python take.py /mnt/card/warm 1
N0=$(written $NEW); python take.py /mnt/card/clip 600 & T=$!; sleep 1
ebbmark-agent probe /mnt/new --bytes 100000000 --this-medium-may-be-written --json >usb_busy.json 2>usb_busy.err </dev/null; echo busy rc $?
echo written $(( $(written $NEW) - N0 )); kill $T; wait $T
ask slow_usb; sleep 1; N0=$(written $NEW)
(ebbmark-agent probe /mnt/new --bytes 600000000 --this-medium-may-be-written --json >usb_way.json 2>usb_way.err </dev/null; echo running rc $?) & P=$!
until_written $NEW $N0 30000000 $P
python take.py /mnt/card/clip 600 & T=$!; wait $P; kill $T; wait $T
umount /mnt/card /mnt/new

echo "== sata"
mkfs.ext4 -q -F -E nodiscard,lazy_itable_init=0,lazy_journal_init=0 /dev/$A; mkfs.ext4 -q -F -E nodiscard,lazy_itable_init=0,lazy_journal_init=0 /dev/$B
mount /dev/$A /mnt/a; mount /dev/$B /mnt/b; udevadm settle; rm -rf /run/agent; python take.py /mnt/a/warm 1
python orders.py /mnt/b; B0=$(written $B)
python take.py /mnt/a/clip 600 & T=$!; sleep 1
ebbmark-agent run --one-round 2>sata_busy.log; echo busy rc $?
ebbmark-agent next-report >sata_busy.ndjson
sync -f /mnt/b; echo written $(( $(written $B) - B0 )); kill $T; wait $T
ask slow_sata; sleep 1; B0=$(written $B)
ebbmark-agent run --one-round 2>sata_way.log & P=$!
until_written $B $B0 30000000 $P
python take.py /mnt/a/clip 600 & T=$!; wait $P; echo running rc $?; kill $T; wait $T
ebbmark-agent next-report >sata_way.ndjson
umount /mnt/a /mnt/b

echo "== throttle"
mkfs.ext4 -q -F -E nodiscard,lazy_itable_init=0,lazy_journal_init=0 /dev/nvme0n1; mount /dev/nvme0n1 /mnt/n; rm -rf /run/agent
ask flat
(ebbmark-agent probe /mnt/n --bytes 200000000 --json >flat.json 2>flat.err; echo flat rc $?) & P=$!
ask flat_run; wait $P
ask before_cliff
(ebbmark-agent probe /mnt/n --bytes 260000000 --for 15MB/s --json >cliff.json 2>cliff.err; echo cliff rc $?) & P=$!
ask cliff; wait $P
umount /mnt/n

echo "== foretold"
modprobe scsi_debug dev_size_mb=64; udevadm settle; sleep 1
F=$(for d in /sys/block/sd*; do grep -q scsi_debug $d/device/model && basename $d; done)
sdparm --quiet --set=TEST=1 /dev/$F
ebbmark-agent health /dev/$F --json >foretold.json 2>foretold.err; echo rc $?
echo "== end"
"""


def _cliff(control: Control) -> object:
    """Let the drive be fast for so many bytes from now on, then slow; how many it took, and its two rates."""
    before = control.written_bytes("nvme0")
    fast = _rate_between(control, before, *FAST_PART)
    _passes(control, before + CLIFF)
    control.throttle("nvme0", SLOW)
    at_bytes = control.written_bytes("nvme0") - before
    return at_bytes, fast, _rate_between(control, before, *SLOW_PART)


def _flat(control: Control) -> object:
    """Give the rate the drive really took over the middle of the probe [bytes/s]."""
    return _rate_between(control, control.written_bytes("nvme0"), *FLAT_PART)


def _rate_between(control: Control, before: int, first: int, last: int) -> float:
    """Give the emulator's own rate from one byte to another: its limit, or less on a busy machine [bytes/s]."""
    begin_s, begin = _passes(control, before + first)
    end_s, end = _passes(control, before + last)
    return (end - begin) / (end_s - begin_s)


def _passes(control: Control, at_bytes: int) -> tuple[float, int]:
    """Wait until the drive has taken so many bytes; when, and how many it had by then."""
    deadline = time.monotonic() + 400
    while (written := control.written_bytes("nvme0")) < at_bytes:
        assert time.monotonic() < deadline, f"the drive took {written} of {at_bytes} bytes in 400 s"
        time.sleep(0.002)
    return time.monotonic(), written


def _own_rate(found: dict[str, Any], first: int, last: int) -> float:
    """Give the probe's own rate from one byte to another by its trace [bytes/s]."""
    times, totals = found["trace"]["times_s"], found["trace"]["total_bytes"]
    begin, end = (next(i for i, total in enumerate(totals) if total >= at) for at in (first, last))
    return float((totals[end] - totals[begin]) / (times[end] - times[begin]))


def _both(control: Control) -> object:
    return {name: control.written_bytes(name) for name in ("dcard", "dnew", "dbare")}


@pytest.fixture(scope="module")
def told(guest: None, tmp_path_factory: pytest.TempPathFactory) -> GuestRun:
    """Run everything in one guest."""
    folder = tmp_path_factory.mktemp("consent")
    usb = []
    for name, serial, port in (
        ("card", "RIGCARD01", "1"),
        ("new", "RIGEMPTY1", "4.1"),
        ("bare", "RIGBARE01", "4.2"),
    ):
        _sparse(folder / f"{name}.img", 2 << 30)
        usb += ["-drive", f"file={folder}/{name}.img,if=none,id=d{name},format=raw,cache=none"]
        usb += [
            "-device",
            f"usb-storage,id={name},bus=x.0,port={port},drive=d{name},serial={serial},removable=on",
        ]
    _sparse(folder / "second.img", 2 << 30)
    extra = [
        "-device", "qemu-xhci,id=x", "-device", "usb-hub,id=hub,bus=x.0,port=4", *usb,
        "-drive", f"file={folder}/second.img,if=none,id=s2,format=raw,cache=none",
        "-device", "ide-hd,id=sata1,bus=ahci.1,drive=s2,serial=RIGSATA0002,model=RIGSATA",
    ]  # fmt: skip
    return run_guest(
        folder,
        JOB,
        extra=extra,
        answers={
            "card_before": _both,
            "card_after": _both,
            "slow_usb": lambda control: control.throttle("dnew", 40 * MB),
            "slow_sata": lambda control: control.throttle("sata1", 40 * MB),
            "flat": lambda control: control.throttle("nvme0", FLAT),
            "before_cliff": lambda control: control.throttle("nvme0", FAST),
            "cliff": _cliff,
            "flat_run": _flat,
        },
        files={"agent.toml": SETTINGS, "orders.py": ORDERS.encode(), "take.py": TAKE.encode()},
    )


def _sparse(path: Path, size_bytes: int) -> None:
    with path.open("wb") as disk:
        disk.truncate(size_bytes)


def _bodies(told: GuestRun, name: str, kind: str) -> list[dict[str, Any]]:
    lines = (told.folder / name).read_text().splitlines()
    return [body for line in lines if (body := json.loads(line)["body"])["kind"] == kind]


def _codes(refused: list[dict[str, Any]]) -> set[str]:
    return {one["code"] for one in refused}


def test_a_medium_is_never_written_by_rule_or_order(told: GuestRun) -> None:
    """With every rule on and a soak ordered: not a byte, on a medium with clips, an empty or an unmounted one.

    The kernel's own count says so, and the emulator's from outside.
    """
    section = told.section("card")

    assert "round rc 0" in section, (told.folder / "card_round.log").read_text()
    assert "service rc 0" in section, (told.folder / "card_service.log").read_text()
    assert "written 0 0 0" in section
    assert told.answers["card_before"] == told.answers["card_after"]


def test_no_marker_is_left_and_nothing_is_mounted(told: GuestRun) -> None:
    """The clip is the only file, the empty medium stays empty, and an unmounted one is not mounted."""
    section = told.section("card")

    assert "files 1 0" in section
    assert "bare mounted 0" in section


def test_the_reason_is_that_the_medium_is_removable(told: GuestRun) -> None:
    """What stood between the order and the card is the rule for removable media, not a chance refusal."""
    volumes = {one["volume"]: one for one in told.document("card_why.json")["volumes"]}

    for mount in ("/mnt/card", "/mnt/new"):
        assert _codes(volumes[mount]["refused"]) == {"removable_medium"}, volumes[mount]["refused"]


def test_an_unknown_bridge_has_a_sentence_of_its_own(told: GuestRun) -> None:
    """A bridge smartctl does not know is told as such, which is neither no SMART nor an error."""
    usb = [one for one in told.document("health.json")["drives"] if one["drive"]["path"]["bus"] == "usb"]

    assert len(usb) == 3
    assert {one["reading"]["state"] for one in usb} == {"unknown_bridge"}
    assert all("bridge" in one["reading"]["sentence"] for one in usb)


def test_two_usb_disks_hang_on_one_hub(told: GuestRun) -> None:
    """What follows is about two disks on two ports of one hub, by the kernel's own names for them.

    The emulator's hub runs at full speed; its link does not hold the disks back.
    """
    first, second = (line for line in told.section("usb").splitlines() if line.startswith("/sys/devices/"))

    assert re.search(r"/1-4/1-4\.1/", first), first
    assert re.search(r"/1-4/1-4\.2/", second), second


def test_beside_a_take_on_one_usb_disk_no_probe_starts_on_another(told: GuestRun) -> None:
    """Two disks on one hub: while one records, a probe of the other is refused, even with a person's word."""
    section = told.section("usb")

    assert "busy rc 20" in section
    assert "neighbour_io" in _codes(told.document("usb_busy.json")["refused"])
    assert "written 0" in section


def test_a_probe_gives_way_to_a_take_on_another_usb_disk(told: GuestRun) -> None:
    """A probe that runs when the take on the hub's other disk begins ends there, with what it had so far."""
    found = told.document("usb_way.json")

    assert found["gave_way"] is True, found
    assert 30_000_000 <= found["bytes_written"] < 600_000_000


def test_beside_a_take_on_one_sata_disk_a_due_probe_of_another_waits(told: GuestRun) -> None:
    """The running agent has a probe due and does not begin it while a disk on the same controller records."""
    section = told.section("sata")
    (status, *_) = reversed(_bodies(told, "sata_busy.ndjson", "status"))
    refused = [reason for subject in status["consents"] for reason in subject["refusals"]]

    assert "busy rc 0" in section, (told.folder / "sata_busy.log").read_text()
    assert "written 0" in section
    assert "neighbour_io" in _codes(refused)
    assert _bodies(told, "sata_busy.ndjson", "probe") == []


def test_the_agents_probe_gives_way_to_a_take_on_another_sata_disk(told: GuestRun) -> None:
    """A due probe that has begun ends when a disk on the same controller begins to record."""
    (probe,) = _bodies(told, "sata_way.ndjson", "probe")

    assert probe["result"]["outcome"] == "gave_way", probe["result"]["outcome"]
    assert probe["result"]["gave_way_to"]


def test_the_rate_is_the_one_the_emulator_holds_the_drive_to(told: GuestRun) -> None:
    """The probe's rate is the one the emulator counts, within 3 %: the limit, or less on a busy machine."""
    found = told.document("flat.json")
    counted = told.answers["flat_run"]

    assert isinstance(counted, float)
    near = 0.03 if counted >= 0.95 * FLAT else 0.1
    assert counted <= FLAT * 1.04
    assert _own_rate(found, *FLAT_PART) == pytest.approx(counted, rel=near), told.section("throttle")
    assert found["read_back_ok"] is True


def test_a_cliff_set_from_outside_is_found_where_it_was_set(told: GuestRun) -> None:
    """The step lies at the byte at which the emulator changed the limit, within 3 %, and so does its floor.

    The floor is held against what the emulator counted. Where the machine was too busy to serve even the limits,
    the drive's rates were unsteady, and the step is only looked for near its place.
    """
    found = told.document("cliff.json")
    seen = told.answers["cliff"]

    assert isinstance(seen, tuple)
    at_bytes, fast, slow = seen
    steps = [cliff["at_bytes"] for cliff in found["cliffs"]]
    assert slow <= SLOW * 1.04
    assert found["standing"] == "unfit"
    if fast < 0.95 * FAST or slow < 0.95 * SLOW:
        assert any(step == pytest.approx(at_bytes, rel=0.15) for step in steps), (steps, seen)
        return
    assert steps == [pytest.approx(at_bytes, rel=0.03)], seen
    assert _own_rate(found, *SLOW_PART) == pytest.approx(slow, rel=0.03)
    assert found["lasting_bytes_per_s"] == pytest.approx(slow, rel=0.05)


def test_a_foretold_failure_is_told(told: GuestRun) -> None:
    """A SCSI drive that predicts its failure reads as failed, in the drive's own words."""
    (drive,) = told.document("foretold.json")["drives"]

    assert drive["reading"]["state"] == "read", drive
    assert drive["reading"]["assessment"] == "failed"
    assert drive["reading"]["protocol"] == "scsi"
