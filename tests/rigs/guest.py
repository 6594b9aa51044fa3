"""Runs a job inside an emulated machine that has an NVMe and a SATA drive, and answers it from outside.

The job is a shell script. `ask NAME` in it waits until the outside has done what NAME stands for (set a critical
warning, throttle a drive, pull it out) through QEMU's own control socket: what the emulator sets is the truth the
agent's readings are held against.
"""

import compileall
import functools
import io
import json
import os
import py_compile
import shutil
import socket
import subprocess
import tarfile
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.rigs.guest_image import ROOT, ensure_image

PRELUDE = r"""
ask() { : >/run/host/ask_$1; while [ ! -e /run/host/ok_$1 ]; do sleep 0.1; done; }
written() { awk '{print $7 * 512}' /sys/block/$1/stat; }
# Wait until a disk has taken so many bytes more than it had, or the process that writes them has ended.
until_written() { while kill -0 $4 2>/dev/null && [ $(( $(written $1 2>/dev/null || echo 999999999999) - $2 )) -lt $3 ]; do sleep 0.1; done; }
SITE=$(/opt/ebbmark/bin/python -c 'import sysconfig; print(sysconfig.get_paths()["purelib"])')
tar -C "$SITE" -xf /run/host/code.tar
for pair in ebbmark-agent:ebbmark_agent.cli ebbmark-collector:ebbmark_collector.cli ebbmark:ebbmark_collector.client; do
  printf '#!/opt/ebbmark/bin/python\nimport sys\nfrom %s import main\nsys.exit(main())\n' "${pair#*:}" >/opt/ebbmark/bin/${pair%%:*}
  chmod 755 /opt/ebbmark/bin/${pair%%:*}
done
export PATH=/opt/ebbmark/bin:$PATH HOME=/root LANG=C.UTF-8
cd /run/host
"""


GUEST_WITHIN_S = (
    2400.0  # [s] the longest guest takes 300 alone; on a machine a third as fast and shared, 1800
)
ANSWER_WITHIN_S = 60.0  # [s] the emulator answers in milliseconds; one that hangs must not hang a test


class Control:
    """QEMU's control socket (its machine protocol), one command at a time."""

    def __init__(self, path: Path, *, patience_s: float = 30.0) -> None:
        deadline = time.monotonic() + patience_s
        while True:
            try:
                self._socket = socket.socket(socket.AF_UNIX)
                self._socket.settimeout(ANSWER_WITHIN_S)
                self._socket.connect(str(path))
                break
            except OSError:
                self._socket.close()
                if time.monotonic() > deadline:
                    raise
                time.sleep(0.02)
        self._stream = self._socket.makefile("rw")
        self._stream.readline()
        self("qmp_capabilities")

    def __call__(self, command: str, **arguments: Any) -> dict[str, Any]:
        """Send one command and give its answer, passing over events."""
        self._stream.write(json.dumps({"execute": command, "arguments": arguments}) + "\n")
        self._stream.flush()
        while True:
            line = self._stream.readline()
            if not line:
                return {"error": "the machine has stopped"}
            answer: dict[str, Any] = json.loads(line)
            if "event" not in answer:
                return answer

    def throttle(self, drive: str, write_bytes_per_s: int) -> dict[str, Any]:
        """Hold a drive's writes to a rate; 0 lifts the limit. A USB drive goes by its medium's name."""
        rates = dict.fromkeys(("bps", "bps_rd", "iops", "iops_rd", "iops_wr"), 0)
        answer = self("block_set_io_throttle", id=drive, bps_wr=write_bytes_per_s, **rates)
        if "error" in answer:
            answer = self("block_set_io_throttle", device=drive, bps_wr=write_bytes_per_s, **rates)
        assert "error" not in answer, answer
        return answer

    def written_bytes(self, drive: str) -> int:
        """Give the bytes the guest has written to a drive, by the emulator's own count."""
        for entry in self("query-blockstats")["return"]:
            if drive in (entry.get("device"), Path(entry.get("qdev", "")).name):
                return int(entry["stats"]["wr_bytes"])
        raise LookupError(drive)

    def critical_warning(self, drive: str, bits: int) -> dict[str, Any]:
        """Set an NVMe drive's critical-warning byte."""
        path = f"/machine/peripheral/{drive}"
        return self("qom-set", path=path, property="smart_critical_warning", value=bits)

    def close(self) -> None:
        """Let go of the socket."""
        self._stream.close()
        self._socket.close()


Answer = Callable[[Control], object]


@dataclass(frozen=True, kw_only=True)
class GuestRun:
    """What came out of one run of the guest."""

    output: str
    folder: Path
    answers: Mapping[str, object] = field(default_factory=dict)

    def section(self, name: str) -> str:
        """Give the part of the output after the line `== name` and before the next such line."""
        parts = self.output.split(f"== {name}\n", 1)
        if len(parts) != 2:
            raise AssertionError(f"The guest never reached `{name}`. It said:\n{self.output[-3000:]}")
        return parts[1].split("\n== ", 1)[0]

    def document(self, file_name: str) -> Any:
        """Read a JSON document that the job left in the shared folder."""
        path = self.folder / file_name
        assert path.exists(), f"The guest left no {file_name}. It said:\n{self.output[-3000:]}"
        return json.loads(path.read_text())


@functools.cache
def _code() -> bytes:
    """Pack the agent and the collector, compiled, since the emulated processor compiles at a tenth of the speed.

    The bytecode is marked as not to be checked against its source; a guest of another Python ignores it.
    """
    packed = io.BytesIO()
    with tempfile.TemporaryDirectory() as folder, tarfile.open(fileobj=packed, mode="w") as tar:
        for part, package in (("agent", "ebbmark_agent"), ("collector", "ebbmark_collector")):
            copied = Path(folder) / package
            shutil.copytree(ROOT / part / package, copied, ignore=shutil.ignore_patterns("__pycache__"))
            compileall.compile_dir(
                copied,
                quiet=2,
                stripdir=folder,
                invalidation_mode=py_compile.PycInvalidationMode.UNCHECKED_HASH,
            )
            tar.add(copied, package)
    return packed.getvalue()


def run_guest(
    folder: Path,
    job: str,
    *,
    answers: Mapping[str, Answer] | None = None,
    extra: Sequence[str] = (),
    systemd: bool = False,
    files: Mapping[str, bytes] | None = None,
) -> GuestRun:
    """Boot the guest, run a job in it, and wait until it powers itself off.

    Args:
        folder: an empty folder for disks and the shared folder.
        job: the shell script; lines `== NAME` in its output part it into sections.
        answers: what to do from outside when the job asks.
        extra: further arguments of the emulator (more drives).
        systemd: with systemd as PID 1 instead of a bare init.
        files: further files for the shared folder.

    Raises:
        AssertionError: the guest did not finish within `GUEST_WITHIN_S`.
    """
    image = ensure_image()
    shared = folder / "host"
    shared.mkdir()
    for name, content in (files or {}).items():
        (shared / name).write_bytes(content)
    (shared / "code.tar").write_bytes(_code())
    (shared / "job.sh").write_text(PRELUDE + job)
    for disk in ("nvme.img", "sata.img"):
        with (folder / disk).open("wb") as f:
            f.truncate(8 << 30)
    with (folder / "qemu.err").open("wb") as complaints:
        machine = subprocess.Popen(
            [*_argv(image, folder, systemd=systemd), *extra],
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=complaints,
        )
    given: dict[str, object] = {}
    control: Control | None = None
    try:
        control = Control(folder / "control.sock")
        deadline = time.monotonic() + GUEST_WITHIN_S
        while machine.poll() is None:
            for name, answer in (answers or {}).items():
                if name not in given and (shared / f"ask_{name}").exists():
                    given[name] = answer(control)
                    (shared / f"ok_{name}").touch()
            if time.monotonic() > deadline:
                raise AssertionError(
                    f"The guest did not finish within {GUEST_WITHIN_S:.0f} s.\n{_said(folder)}"
                )
            time.sleep(0.05)
    finally:
        if control is not None:
            control.close()
        if machine.poll() is None:
            machine.kill()
        machine.wait(timeout=60)
    return GuestRun(output=_said(folder), folder=shared, answers=given)


def _said(folder: Path) -> str:
    out = folder / "host" / "job.out"
    if out.exists():
        return out.read_text(errors="replace")
    console = folder / "console.log"
    return "(no job output) " + (console.read_text(errors="replace")[-2000:] if console.exists() else "")


def _argv(image: Path, folder: Path, *, systemd: bool) -> list[str]:
    # On a busy host the emulated timer looks broken at boot; the kernel must not give up over that.
    append = "console=ttyS0 quiet panic=-1 mitigations=off no_timer_check"
    append += " rig=systemd" if systemd else ""
    drives = []
    for drive, device in (
        ("nvme", "nvme,id=nvme0,drive=nv,serial=RIGNVME0001"),
        ("sata", "ide-hd,id=sata0,bus=ahci.0,drive=sd,serial=RIGSATA0001,model=RIGSATA"),
    ):
        name = {"nvme": "nv", "sata": "sd"}[drive]
        drives += ["-drive", f"file={folder / (drive + '.img')},if=none,id={name},format=raw,cache=none"]
        drives += ["-device", device]
    return [
        "qemu-system-x86_64", "-accel", "tcg,thread=multi", "-cpu", "max", "-machine", "q35",
        "-smp", str(min(2, os.cpu_count() or 1)), "-m", "1024", "-nographic", "-nodefaults", "-no-reboot",
        "-kernel", str(image / "vmlinuz"), "-initrd", str(image / "initrd.img"), "-append", append,
        "-serial", f"file:{folder / 'console.log'}",
        "-qmp", f"unix:{folder / 'control.sock'},server=on,wait=off",
        "-drive", f"file={image / 'root.ext4'},if=none,id=root,format=raw,snapshot=on",
        "-device", "virtio-blk-pci,drive=root",
        "-virtfs", f"local,path={folder / 'host'},mount_tag=host0,security_model=none",
        "-device", "ich9-ahci,id=ahci",
        *drives,
    ]  # fmt: skip


def guest_missing() -> str | None:
    """Say why the guest cannot run here, or nothing."""
    if os.geteuid() != 0:
        return "building the guest's root needs root"
    lacking = [
        p for p in ("qemu-system-x86_64", "mmdebstrap", "cpio", "mkfs.ext4") if shutil.which(p) is None
    ]
    if lacking:
        return f"not installed: {', '.join(lacking)}"
    return None
