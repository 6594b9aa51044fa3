"""Volumes on layers of the kernel's own making: which drives hold them, what of it is probed, what is not."""

import json
from pathlib import Path
from typing import Any

import pytest

from tests.rigs.guest import GuestRun, run_guest

pytestmark = pytest.mark.vm

DISKS = 9
SIZE_BYTES = 1 << 30
PROBE = "--bytes 150000000 --json"

JOB = rf"""
for m in dm-mod dm-crypt md-mod raid0 raid1 raid456 btrfs; do modprobe $m 2>/dev/null; done
mkdir -p /mnt/lvm /mnt/two /mnt/mirror /mnt/stripe /mnt/parity /mnt/locked /mnt/snap
nvme() {{ for c in /sys/class/nvme/nvme*; do grep -q "RIGLAYER$1" $c/serial && echo /dev/$(basename $c)n1; done; }}
ext4() {{ mkfs.ext4 -q -F -E nodiscard,lazy_itable_init=0,lazy_journal_init=0 $1 && mount $1 $2; }}
sectors() {{ awk '{{print $7}}' /sys/block/$(basename $1)/stat; }}
# A device-mapper name may be a link that udev makes; what it stands for is what is probed.
(
pvcreate -qq -f $(nvme 0) && vgcreate -qq vg $(nvme 0) && lvcreate -qq -y -Wn -Zn -L 500M -n lv vg && ext4 /dev/vg/lv /mnt/lvm
mkfs.btrfs -q -f -d raid0 $(nvme 1) $(nvme 2) && mount $(nvme 1) /mnt/two
yes | mdadm --create /dev/md1 --run --level=1 --raid-devices=2 --assume-clean --metadata=1.2 $(nvme 3) $(nvme 4) && ext4 /dev/md1 /mnt/mirror
yes | mdadm --create /dev/md0 --run --level=0 --raid-devices=2 $(nvme 5) $(nvme 6) && ext4 /dev/md0 /mnt/stripe
echo -n secret | cryptsetup luksFormat -q --pbkdf pbkdf2 --pbkdf-force-iterations 1000 $(nvme 7) - && echo -n secret | cryptsetup open --key-file - $(nvme 7) plain && ext4 /dev/mapper/plain /mnt/locked
mkfs.btrfs -q -f $(nvme 8) && mount $(nvme 8) /mnt/snap
) >set_up.log 2>&1
udevadm settle; sync; sleep 2; cat /proc/mdstat

echo "== seen"
ebbmark-agent drives --json >drives.json; echo rc $?
ebbmark-agent drives
ebbmark-agent health --json >health.json

echo "== probes"
for where in lvm two mirror stripe locked; do
  ebbmark-agent probe /mnt/$where {PROBE} >$where.json 2>$where.err; echo $where rc $?
done
for n in 3 4 5 6; do echo "$n $(nvme $n) $(sectors $(nvme $n))"; done

echo "== take"
# Beside the probe of each array, a take of 5 MB/s through the same array.
for pair in mirror:3 stripe:5; do
  where=${{pair%:*}}; member=$(nvme ${{pair#*:}}); sync; sleep 2; S0=$(sectors $member)
  (ebbmark-agent probe /mnt/$where --bytes 700000000 --json >take_$where.json 2>take_$where.err; echo $where rc $?) & P=$!
  while [ $(( $(sectors $member) - S0 )) -lt 60000 ] && kill -0 $P 2>/dev/null; do sleep 0.1; done
  python take.py /mnt/$where/clip 600 & T=$!; wait $P; kill $T; wait $T; rm -f /mnt/$where/clip
done

echo "== snapshot"
python snapshot.py >snapshot.json 2>snapshot.err; echo rc $?
echo "== end"
"""

SNAPSHOT = r"""
import json, os, subprocess
from pathlib import Path
from ebbmark_agent.platforms import this_platform
from ebbmark_agent.probe import ProbeRequest, run_probe
from ebbmark_agent.report import Bus, PathFacts, ProbeKind
from ebbmark_agent.reports import findings_of
from ebbmark_agent.report import DriveIdentity, IdentityConfidence, Subject

subject = Subject(ref="rig", identity=DriveIdentity(confidence=IdentityConfidence.NONE))

def free():
    subprocess.run(["btrfs", "filesystem", "sync", "/mnt/snap"], check=True)
    seen = os.statvfs("/mnt/snap")
    return seen.f_bavail * seen.f_frsize

def probe(hold=None):
    done = []
    def progress(told):
        if hold is not None and told.done_bytes > 100_000_000 and not done:
            done.append(True)
            hold()
    before = free()
    found = run_probe(
        ProbeRequest(folder=Path("/mnt/snap"), kind=ProbeKind.SPOT, max_bytes=200_000_000, file_system="btrfs",
                     path=PathFacts(bus=Bus.NVME)),
        platform=this_platform(), progress=progress,
    )
    subprocess.run(["sync", "-f", "/mnt/snap"], check=True)
    return {"lost": before - free(), "held": bool(done), "result": json.loads(found.model_dump_json(exclude={"trace"})),
            "findings": [one.finding.code for one in findings_of(found, subject)]}

def clone():
    # What a snapshot does to a file with a name: its blocks get a second owner before the file goes.
    import fcntl
    for entry in Path("/proc/self/fd").iterdir():
        try:
            target = os.readlink(entry)
        except OSError:
            continue
        if target.startswith("/mnt/snap/"):
            with open("/mnt/snap/held", "wb") as held:
                fcntl.ioctl(held.fileno(), 0x40049409, int(entry.name))
            os.sync()

def snapshot():
    subprocess.run(["btrfs", "-q", "subvolume", "snapshot", "/mnt/snap", "/mnt/snap/before"], check=True)

told = {"alone": probe(), "snapshot": probe(snapshot), "clone": probe(clone)}
print(json.dumps(told))
"""


@pytest.fixture(scope="module")
def told(guest: None, tmp_path_factory: pytest.TempPathFactory) -> GuestRun:
    """Lay the volumes out and probe them in one guest."""
    from tests.vm.test_guest_consent import TAKE

    folder = tmp_path_factory.mktemp("layers")
    extra = []
    for number in range(DISKS):
        image = folder / f"layer{number}.img"
        with image.open("wb") as disk:
            disk.truncate(SIZE_BYTES)
        limit = 50_000_000 if number in {3, 4, 5, 6} else 0
        extra += [
            "-drive",
            f"file={image},if=none,id=l{number},format=raw,cache=none,throttling.bps-write={limit}",
            "-device",
            f"nvme,id=layer{number},drive=l{number},serial=RIGLAYER{number}",
        ]
    return run_guest(
        folder,
        JOB,
        extra=extra,
        files={"take.py": TAKE.encode(), "snapshot.py": SNAPSHOT.encode()},
    )


def _volume(told: GuestRun, mount: str) -> dict[str, Any]:
    document = told.document("drives.json")
    found = [one for one in document["volumes"] if one.get("mount") == mount]
    assert found, (document["volumes"], (told.folder / "set_up.log").read_text()[-2000:])
    return dict(found[0])


def _serials(told: GuestRun, mount: str) -> list[str]:
    drives = {one["ref"]: one for one in told.document("drives.json")["drives"]}
    return sorted(drives[ref]["identity"]["serial"] for ref in _volume(told, mount)["member_refs"])


@pytest.mark.parametrize("mount", ["/mnt/lvm", "/mnt/two"])
def test_what_is_not_certain_is_said_and_not_probed(told: GuestRun, mount: str) -> None:
    """A logical volume and a file system over two devices: said once, refused, and not a byte written."""
    name = mount.rpartition("/")[2]

    assert _volume(told, mount)["certainty"] == "uncertain"
    assert f"{name} rc 20" in told.section("probes")
    assert [one["code"] for one in told.document(f"{name}.json")["refused"]] == ["uncertain_volume"]


def test_each_kind_of_uncertainty_is_remarked_once(told: GuestRun) -> None:
    """One remark for the logical volume, one for the file system over two devices, no alarm."""
    remarks = told.document("drives.json")["remarks"]

    assert len([one for one in remarks if "LVM" in one]) == 1
    assert len([one for one in remarks if "over several devices" in one]) == 1


@pytest.mark.parametrize(
    ("mount", "members"),
    [("/mnt/mirror", ["RIGLAYER3", "RIGLAYER4"]), ("/mnt/stripe", ["RIGLAYER5", "RIGLAYER6"])],
)
def test_a_raid_set_is_a_volume_with_its_members(told: GuestRun, mount: str, members: list[str]) -> None:
    """The kernel's RAID is mapped for certain; each member is known by its serial and reads its own health."""
    health = {
        one["drive"]["identity"].get("serial"): one["reading"]
        for one in told.document("health.json")["drives"]
    }

    assert _volume(told, mount)["certainty"] == "certain"
    assert _serials(told, mount) == members
    assert {health[serial]["state"] for serial in members} == {"read"}
    assert {health[serial]["assessment"] for serial in members} == {"passed"}


@pytest.mark.parametrize("name", ["mirror", "stripe"])
def test_a_probe_of_a_raid_set_is_not_disturbed_by_itself(told: GuestRun, name: str) -> None:
    """What the probe writes reaches a mirror's members twice and a stripe's once; it does not give way to it."""
    found = told.document(f"{name}.json")

    assert found["outcome"] == "completed", (found["outcome"], found["gave_way_to"])
    assert found["read_back_ok"] is True


@pytest.mark.parametrize("name", ["mirror", "stripe"])
def test_a_probe_of_a_raid_set_gives_way_to_a_take_on_it(told: GuestRun, name: str) -> None:
    """A take through the same RAID set shows on its members beside the probe's own bytes, and ends the probe."""
    found = told.document(f"take_{name}.json")

    assert found["gave_way"] is True, (found["outcome"], told.section("take"))
    assert " + " in found["gave_way_to"]


def test_an_unlocked_encrypted_volume_is_probed_and_marked(told: GuestRun) -> None:
    """The drive beneath an unlocked volume is certain; that it is encrypted is part of the facts."""
    volume = _volume(told, "/mnt/locked")

    assert (volume["certainty"], volume["encrypted"]) == ("certain", True)
    assert _serials(told, "/mnt/locked") == ["RIGLAYER7"]
    assert told.document("locked.json")["outcome"] == "completed"


def test_blocks_that_something_keeps_are_noticed_by_the_space(told: GuestRun) -> None:
    """Blocks with a second owner do not come back: a finding of its own, no trust in the discard.

    A btrfs snapshot of a file without a name keeps nothing: the kernel drops such a file from the snapshot.
    So what is told must agree with the file system's own count of free space, in each case.
    """
    seen = json.loads((Path(told.folder) / "snapshot.json").read_text() or "null")
    assert seen, (Path(told.folder) / "snapshot.err").read_text()

    for case in seen.values():
        kept = case["lost"] > 100_000_000
        assert case["result"]["space_returned"] is (not kept), case
        assert ("space_not_returned" in case["findings"]) is kept
    assert seen["snapshot"]["held"]
    assert seen["clone"]["lost"] > 100_000_000
    assert seen["alone"]["lost"] < 20_000_000
