"""Builds the emulated machine's parts once: a stock kernel, a tiny first root, and a Debian root with our libraries.

Everything comes from Debian's and Python's package registries through their ordinary clients. The parts are kept in
`.cache/guest` beside the checkout and made anew when this file or the project's list of libraries changes.
"""

import fcntl
import hashlib
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
CACHE = ROOT / ".cache" / "guest"
PACKAGES = (
    "systemd,systemd-sysv,dbus,udev,dmsetup,python3,python3-venv,smartmontools,sdparm,kmod,"
    "iproute2,e2fsprogs,xfsprogs,btrfs-progs,lvm2,exfatprogs,cryptsetup-bin,mdadm,util-linux"
)
MODULES = [
    "virtio_pci",
    "virtio_blk",
    "ext4",
    "crc32c_generic",
    "nvme",
    "ahci",
    "sd_mod",
    "sg",
    "9p",
    "9pnet_virtio",
    "virtio_rng",
    "drivetemp",
    "xhci_pci",
    "usb_storage",
    "uas",
]

GUEST_INIT = """#!/bin/sh
export PATH=/usr/sbin:/usr/bin:/sbin:/bin
case "$(cat /proc/cmdline)" in *rig=systemd*) exec /lib/systemd/systemd;; esac
mount -t tmpfs tmp /tmp; mkdir -p /run/host
mount -t cgroup2 cgroup2 /sys/fs/cgroup 2>/dev/null
/lib/systemd/systemd-udevd --daemon 2>/dev/null && udevadm trigger && udevadm settle -t 10
mount -t 9p -o trans=virtio,version=9p2000.L,msize=262144 host0 /run/host && sh /run/host/job.sh >/run/host/job.out 2>&1
sync; echo o >/proc/sysrq-trigger; while :; do :; done
"""

JOB_UNIT = """[Unit]
After=basic.target network.target
[Service]
Type=oneshot
Environment=PATH=/usr/sbin:/usr/bin:/sbin:/bin HOME=/root
ExecStart=/bin/sh -c 'mkdir -p /run/host; mount -t 9p -o trans=virtio,version=9p2000.L,msize=262144 host0 /run/host && sh /run/host/job.sh >/run/host/job.out 2>&1; sync; echo o >/proc/sysrq-trigger'
"""

FIRST_INIT = """#!/bin/busybox sh
/bin/busybox mount -t devtmpfs dev /dev
/bin/busybox mount -t proc proc /proc
/bin/busybox mount -t sysfs sys /sys
for f in /m/*.ko; do /bin/busybox insmod $f || echo "insmod $f failed"; done
n=0; while [ ! -b /dev/vda ] && [ $n -lt 500 ]; do /bin/busybox usleep 20000; n=$((n+1)); done
/bin/busybox mount -t ext4 -o rw /dev/vda /new || /bin/busybox sh
/bin/busybox mount -t tmpfs tmp /new/run
/bin/busybox mount --move /dev /new/dev
/bin/busybox mount --move /proc /new/proc
/bin/busybox mount --move /sys /new/sys
exec /bin/busybox switch_root /new /guest-init
"""


class GuestBuildError(Exception):
    """A part of the guest could not be built; the message carries the command and its last output."""


def _run(argv: Sequence[str], *, cwd: Path | None = None) -> str:
    done = subprocess.run(
        argv, cwd=cwd, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL
    )
    if done.returncode != 0:
        raise GuestBuildError(
            f"`{' '.join(argv)}` ended with {done.returncode}: {(done.stdout + done.stderr)[-1500:]}"
        )
    return done.stdout


def image_key() -> str:
    """Name the state of everything the image is made from."""
    mixed = Path(__file__).read_text() + "\n".join(_wanted_libraries())
    return hashlib.sha256(mixed.encode()).hexdigest()[:16]


def _wanted_libraries() -> list[str]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    return [*project["dependencies"], *project["optional-dependencies"]["collector"]]


def ensure_image() -> Path:
    """Build the guest's parts unless they are there and current.

    Returns:
        The folder with `vmlinuz`, `initrd.img` and `root.ext4`.

    Raises:
        GuestBuildError: a step failed (no network to the registries, not root, no disk space).
    """
    CACHE.parent.mkdir(exist_ok=True)
    with CACHE.with_suffix(".lock").open("a") as held:
        fcntl.flock(held, fcntl.LOCK_EX)  # two guests may want it at the same time
        return _built()


def _built() -> Path:
    built = CACHE / image_key()
    if (built / "complete").exists():
        return built
    if CACHE.exists():
        shutil.rmtree(CACHE)
    built.mkdir(parents=True)
    work = built / "making"
    work.mkdir()
    version = _kernel(work, built)
    root = _debian_root(work, version)
    _libraries(work, root)
    _guest_files(root)
    _first_root(work, root, version, built)
    _run(["truncate", "-s", "3G", str(built / "root.ext4")])
    _run(["mkfs.ext4", "-q", "-d", str(root), "-O", "^has_journal", str(built / "root.ext4")])
    shutil.rmtree(work)
    (built / "complete").touch()
    return built


def _kernel(work: Path, built: Path) -> str:
    wanted = _run(["apt-cache", "depends", "linux-image-amd64"])
    package = next(
        line.split(":")[1].strip() for line in wanted.splitlines() if "Depends: linux-image-" in line
    )
    # apt downloads as its own user, who may not enter a private folder.
    with tempfile.TemporaryDirectory(prefix="guest-kernel-") as handed:
        Path(handed).chmod(0o777)
        _run(["apt-get", "download", "-q", package], cwd=Path(handed))
        _run(["dpkg", "-x", str(next(Path(handed).glob("*.deb"))), str(work / "kernel")])
    version = package.removeprefix("linux-image-")
    shutil.copy(work / "kernel" / "boot" / f"vmlinuz-{version}", built / "vmlinuz")
    return version


def _debian_root(work: Path, version: str) -> Path:
    sources = [
        p
        for p in map(Path, ("/etc/apt/sources.list.d/debian.sources", "/etc/apt/sources.list"))
        if p.exists()
    ]
    if not sources:
        raise GuestBuildError(
            "No Debian package sources are set up on this machine; the guest is built from them."
        )
    codename = next(
        line.split("=")[1].strip().strip('"')
        for line in Path("/etc/os-release").read_text().splitlines()
        if line.startswith("VERSION_CODENAME=")
    )
    tar = work / "root.tar"
    _run(
        [
            "mmdebstrap",
            "--mode=root",
            "--variant=minbase",
            f"--include={PACKAGES}",
            codename,
            str(tar),
            str(sources[0]),
        ]
    )
    root = work / "root"
    root.mkdir()
    _run(["tar", "-C", str(root), "-xf", str(tar), "--exclude=./dev/*"])
    tar.unlink()
    (root / "lib" / "modules").mkdir(exist_ok=True)
    shutil.move(work / "kernel" / "lib" / "modules" / version, root / "lib" / "modules" / version)
    _run(["chroot", str(root), "depmod", version])
    return root


def _libraries(work: Path, root: Path) -> None:
    """Put the project's libraries, not the project, into a virtual environment of the guest."""
    wanted = _wanted_libraries()
    guest_python = _run(
        ["chroot", str(root), "python3", "-c", "import sys; print('%d.%d' % sys.version_info[:2])"]
    )
    wheels = root / "wheels"
    pip = [sys.executable, "-m", "pip", "download", "-q", "-d", str(wheels), "--only-binary=:all:"]
    _run(
        [*pip, "--python-version", guest_python.strip(), *[w for w in wanted if not w.startswith("pySMART")]]
    )
    smart = next(w for w in wanted if w.startswith("pySMART"))
    _run([sys.executable, "-m", "pip", "wheel", "-q", "-w", str(wheels), smart])
    _run(["chroot", str(root), "python3", "-m", "venv", "/opt/ebbmark"])
    _run(
        [
            "chroot",
            str(root),
            "/opt/ebbmark/bin/pip",
            "install",
            "-q",
            "--no-index",
            "--find-links",
            "/wheels",
            *wanted,
        ]
    )
    shutil.rmtree(wheels)


def _guest_files(root: Path) -> None:
    init = root / "guest-init"
    init.write_text(GUEST_INIT)
    init.chmod(0o755)
    units = root / "etc" / "systemd" / "system"
    (units / "rigjob.service").write_text(JOB_UNIT)
    wants = units / "multi-user.target.wants"
    wants.mkdir(exist_ok=True)
    (wants / "rigjob.service").symlink_to("../rigjob.service")
    (root / "etc" / "fstab").write_text("/dev/vda / ext4 defaults 0 0\n")
    (root / "etc" / "hostname").write_text("rig\n")


def _first_root(work: Path, root: Path, version: str, built: Path) -> None:
    modules = root / "lib" / "modules" / version
    needs: dict[str, list[str]] = {}
    for line in (modules / "modules.dep").read_text().splitlines():
        module, _, rest = line.partition(":")
        needs[module.strip()] = rest.split()
    by_name = {Path(path).name.split(".")[0].replace("-", "_"): path for path in needs}
    order: list[str] = []
    for name in MODULES:
        path = by_name.get(name.replace("-", "_"))
        if path is None:
            continue  # built into the kernel
        for needed in [*reversed(needs[path]), path]:
            if needed not in order:
                order.append(needed)
    tree = work / "first"
    for folder in ("bin", "dev", "proc", "sys", "new", "m"):
        (tree / folder).mkdir(parents=True)
    shutil.copy("/usr/bin/busybox", tree / "bin" / "busybox")
    for number, path in enumerate(order):
        shutil.copy(modules / path, tree / "m" / f"{number:02d}-{Path(path).name}")
    init = tree / "init"
    init.write_text(FIRST_INIT)
    init.chmod(0o755)
    names = "\n".join(str(p.relative_to(tree)) for p in sorted(tree.rglob("*")))
    with (built / "initrd.img").open("wb") as out:
        done = subprocess.run(
            ["cpio", "-o", "-H", "newc", "--quiet"], cwd=tree, input=names.encode(), stdout=out, check=False
        )
    if done.returncode != 0:
        raise GuestBuildError("cpio could not write the guest's first root.")
