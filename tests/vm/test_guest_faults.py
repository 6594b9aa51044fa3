"""Drives that fail, vanish or hold camera originals, in a machine where a test may really do that."""

import json
from pathlib import Path
from typing import Any

import pytest

from tests.rigs.guest import Control, GuestRun, run_guest

pytestmark = pytest.mark.vm

BAD_AT = 512 << 20  # [bytes] of the bad drive, where the emulator refuses a write

RULES = f"""[inject-error]
event = "write_aio"
errno = "5"
sector = "{BAD_AT // 512}"
once = "off"
immediately = "off"
"""

JOB = r"""
modprobe exfat 2>/dev/null; modprobe dm_flakey 2>/dev/null; modprobe dm_delay 2>/dev/null
named() { for c in /sys/class/nvme/nvme*; do grep -q "$1" $c/serial && echo $(basename $c)n1; done; }
usb() { for d in /sys/block/sd*; do readlink -f $d | grep -q usb && basename $d; done; }
counters() { awk '{print $7 * 512}' /sys/block/$1/stat; }
left() { find "$1" -mindepth 1 ! -name lost+found | wc -l; }
BAD=$(named RIGBAD01); HOT=$(named RIGHOT01); USB=$(usb)
mkdir -p /mnt/bad /mnt/hot /mnt/usb /mnt/flaky /mnt/exfat

echo "uptime $(cut -d' ' -f1 /proc/uptime)"; echo "== bad"
mkfs.ext4 -q -F -E nodiscard,lazy_itable_init=1 /dev/$BAD && mount /dev/$BAD /mnt/bad
ebbmark-agent probe /mnt/bad --bytes 1500000000 --json >bad.json 2>bad.err; echo rc $?
left /mnt/bad; ls /proc/$$/fd | wc -l
umount /mnt/bad 2>/dev/null || umount -l /mnt/bad

echo "uptime $(cut -d' ' -f1 /proc/uptime)"; echo "== clips"
mkfs.exfat -q /dev/$USB 2>/dev/null || mkfs.exfat /dev/$USB >/dev/null
mount -t exfat /dev/$USB /mnt/usb
mkdir -p /mnt/usb/REEL_A/CLIPS; head -c 3000000 /dev/urandom >/mnt/usb/REEL_A/CLIPS/A001C001.MOV; sync
umount /mnt/usb; mount -t exfat -o noatime /dev/$USB /mnt/usb; sync; sleep 1
B0=$(counters $USB)
ebbmark-agent probe /mnt/usb --bytes 100000000 --json >clips_plain.json 2>clips_plain.err </dev/null; echo plain rc $?
ebbmark-agent probe /mnt/usb --bytes 100000000 --this-medium-may-be-written --json >clips_word.json 2>clips_word.err </dev/null; echo word rc $?
sync; sleep 1; echo written $(( $(counters $USB) - B0 )); find /mnt/usb -type f | wc -l
umount /mnt/usb

echo "uptime $(cut -d' ' -f1 /proc/uptime)"; echo "== empty"
mkfs.exfat -q /dev/$USB 2>/dev/null || mkfs.exfat /dev/$USB >/dev/null
mount -t exfat /dev/$USB /mnt/usb
ebbmark-agent probe /mnt/usb --bytes 100000000 --json >empty_plain.json 2>empty_plain.err </dev/null; echo plain rc $?
ebbmark-agent probe /mnt/usb --bytes 100000000 --this-medium-may-be-written --json >empty_word.json 2>empty_word.err </dev/null; echo word rc $?
left /mnt/usb

echo "uptime $(cut -d' ' -f1 /proc/uptime)"; echo "== unplug_usb"
(ebbmark-agent probe /mnt/usb --bytes 1500000000 --this-medium-may-be-written --json >usb_gone.json 2>usb_gone.err; echo rc $?) &
until_written $USB 0 150000000 $!
echo "uptime $(cut -d' ' -f1 /proc/uptime)"; ask unplug_usb; wait; echo "uptime $(cut -d' ' -f1 /proc/uptime)"; umount -l /mnt/usb 2>/dev/null

echo "uptime $(cut -d' ' -f1 /proc/uptime)"; echo "== unplug_nvme"
mkfs.ext4 -q -F -E nodiscard /dev/$HOT && mount /dev/$HOT /mnt/hot; H0=$(counters $HOT)
(ebbmark-agent probe /mnt/hot --bytes 1500000000 --json >nvme_gone.json 2>nvme_gone.err; echo rc $?) &
until_written $HOT $H0 150000000 $!
ask unplug_nvme; wait; umount -l /mnt/hot 2>/dev/null

echo "uptime $(cut -d' ' -f1 /proc/uptime)"; echo "== flaky"
S=$(blockdev --getsz /dev/sda)
dmsetup create flaky --table "0 $S linear /dev/sda 0"
mkfs.ext4 -q -F -E nodiscard,lazy_itable_init=1 /dev/mapper/flaky && mount /dev/mapper/flaky /mnt/flaky
python flaky.py >flaky.json 2>flaky.err; echo rc $?
dmsetup suspend --nolockfs flaky; dmsetup load flaky --table "0 $S linear /dev/sda 0"; dmsetup resume flaky
umount -l /mnt/flaky; dmsetup remove --retry --force flaky 2>/dev/null
echo "uptime $(cut -d' ' -f1 /proc/uptime)"; echo "== end"
"""

FLAKY = r"""
import json, subprocess, threading
from pathlib import Path
from ebbmark_agent.platforms import this_platform
from ebbmark_agent.probe import ProbeRequest, run_probe
from ebbmark_agent.report import Bus, PathFacts, ProbeKind

done = threading.Event()

def turn_bad(progress):
    if progress.done_bytes > 100_000_000 and not done.is_set():
        done.set()
        size = subprocess.check_output(["blockdev", "--getsz", "/dev/sda"], text=True).strip()
        for argv in (["suspend", "--nolockfs", "flaky"],
                     ["load", "flaky", "--table", f"0 {size} flakey /dev/sda 0 0 3600 1 error_writes"],
                     ["resume", "flaky"]):
            subprocess.run(["dmsetup", *argv], check=True)

request = ProbeRequest(folder=Path("/mnt/flaky"), kind=ProbeKind.SPOT, max_bytes=1_500_000_000,
                       file_system="ext4", path=PathFacts(bus=Bus.UNKNOWN))
found = run_probe(request, platform=this_platform(), progress=turn_bad)
print(found.model_dump_json())
"""


def _pull(device: str) -> Any:
    def answer(control: Control) -> object:
        return control("device_del", id=device)

    return answer


@pytest.fixture(scope="module")
def told(guest: None, tmp_path_factory: pytest.TempPathFactory) -> GuestRun:
    """Run every fault in one guest."""
    folder = tmp_path_factory.mktemp("faults")
    (folder / "rules.conf").write_text(RULES)
    for disk in ("bad.img", "hot.img", "usb.img"):
        with (folder / disk).open("wb") as f:
            f.truncate(3 << 30)
    extra = [
        "-drive", f"file=blkdebug:{folder}/rules.conf:{folder}/bad.img,if=none,id=bad,format=raw,cache=none,werror=report",
        "-device", "nvme,id=nvme1,drive=bad,serial=RIGBAD01",
        "-device", "pcie-root-port,id=rp1,chassis=1,slot=1",
        "-drive", f"file={folder}/hot.img,if=none,id=hot,format=raw,cache=none,throttling.bps-write=120000000",
        "-device", "nvme,id=nvme2,drive=hot,serial=RIGHOT01,bus=rp1",
        "-device", "qemu-xhci,id=x",
        "-drive", f"file={folder}/usb.img,if=none,id=us,format=raw,cache=none,throttling.bps-write=120000000",
        "-device", "usb-storage,id=usb0,bus=x.0,drive=us,serial=RIGUSB01,removable=on",
    ]  # fmt: skip
    answers = {"unplug_usb": _pull("usb0"), "unplug_nvme": _pull("nvme2")}
    return run_guest(folder, JOB, answers=answers, extra=extra, files={"flaky.py": FLAKY.encode()})


def _codes(told: GuestRun, section: str) -> list[str]:
    return [line for line in told.section(section).splitlines() if "rc " in line]


def test_a_media_error_ends_the_probe_as_a_finding_about_the_drive(told: GuestRun) -> None:
    """The kernel says ENODATA for an NVMe media error on write; the probe fails there and tells the byte."""
    found = told.document("bad.json")

    assert found["outcome"] == "failed", told.section("bad")
    assert found["fault"]["errno_name"] == "ENODATA"
    assert found["fault"]["operation"]
    assert 0 < found["fault"]["at_byte"] < 1_500_000_000
    assert found["bytes_written"] <= found["fault"]["at_byte"] + 64_000_000


def test_nothing_of_a_failed_probe_is_left(told: GuestRun) -> None:
    """After the media error the volume holds no probe file."""
    assert told.section("bad").splitlines()[1] == "0"


def test_a_medium_with_clips_is_never_written(told: GuestRun) -> None:
    """Camera originals: refused without and with a person's word, and the kernel counted not one byte."""
    section = told.section("clips")

    assert "plain rc 20" in section
    assert "word rc 20" in section
    assert "written 0" in section
    assert told.document("clips_word.json")["refused"]


def test_an_empty_removable_medium_needs_a_persons_word(told: GuestRun) -> None:
    """Without clips a medium is refused until somebody gives their word for this insertion."""
    section = told.section("empty")

    assert "plain rc 20" in section
    assert "word rc 0" in section
    written = told.document("empty_word.json")
    assert written["read_back_ok"] is True
    assert written["file_system"] == "exfat"
    assert section.splitlines()[2] == "0"  # nothing is left on the medium


def test_a_pulled_usb_medium_is_a_finding_not_a_crash(told: GuestRun) -> None:
    """The unplugged USB drive ends the probe with the kernel's own word for it."""
    found = told.document("usb_gone.json")

    assert found["outcome"] == "failed", told.section("unplug_usb")
    assert found["fault"]["errno_name"] in {"ENODEV", "EIO", "ENXIO"}


def test_a_pulled_nvme_drive_is_a_finding_not_a_crash(told: GuestRun) -> None:
    """The hot-unplugged NVMe drive ends the probe with EIO or its kin."""
    found = told.document("nvme_gone.json")

    assert found["outcome"] == "failed", told.section("unplug_nvme")
    assert found["fault"]["errno_name"] in {"EIO", "ENODEV", "ENXIO", "EROFS"}


def test_write_errors_that_begin_in_mid_probe_are_told(told: GuestRun) -> None:
    """A device-mapper target that turns to failing every write ends the probe as failed."""
    found = json.loads((Path(told.folder) / "flaky.json").read_text() or "null")

    assert found, (Path(told.folder) / "flaky.err").read_text()
    assert found["outcome"] == "failed"
    assert found["fault"]["errno_name"] in {"EIO", "EROFS"}
