"""Builds an invented machine's `/sys`, `/proc` and `/run/udev` as a folder to scan."""

import os
from dataclasses import dataclass, field
from pathlib import Path

from ebbmark_agent.drives import Inventory, Volume, scan, volume_of
from ebbmark_agent.platforms import VolumeSpace

ROOM = VolumeSpace(total_bytes=1_000_000_000_000, free_bytes=400_000_000_000)
SIZE_BYTES = 2_000_000_000_000


@dataclass
class Machine:
    """A folder that stands for `/`; every method adds one thing to it."""

    root: Path
    mounts: list[str] = field(default_factory=list)
    _minor: int = 0

    def write(self, path: str, text: str | bytes) -> None:
        """Put a file with this content at an absolute path."""
        place = self.root / path.lstrip("/")
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(text if isinstance(text, bytes) else f"{text}\n".encode())

    def link(self, path: str, target: str) -> None:
        """Put a link at one absolute path that leads to another."""
        place = self.root / path.lstrip("/")
        place.parent.mkdir(parents=True, exist_ok=True)
        place.symlink_to(os.path.relpath(self.root / target.lstrip("/"), place.parent))

    def block(self, name: str, parent: str, *, size_bytes: int = SIZE_BYTES, **files: str) -> str:
        """Add a whole block device below a place in `/sys/devices` and give its folder.

        Further files of the folder are named with `__` for `/`.
        """
        self._minor += 16
        folder = f"{parent}/block/{name}"
        self.write(f"{folder}/dev", f"8:{self._minor}")
        self.write(f"{folder}/size", str(size_bytes // 512))
        self.write(f"{folder}/ro", "0")
        self.write(f"{folder}/removable", files.pop("removable", "0"))
        self.write(f"{folder}/queue/rotational", files.pop("rotational", "0"))
        self.write(f"{folder}/queue/discard_max_bytes", files.pop("discard", "2147450880"))
        for key, text in files.items():
            self.write(f"{folder}/{key.replace('__', '/')}", text)
        self.link(f"/sys/block/{name}", folder)
        return folder

    def partition(self, folder: str, name: str) -> str:
        """Add a partition to a block device and give its device number."""
        self._minor += 1
        self.write(f"{folder}/{name}/partition", "1")
        self.write(f"{folder}/{name}/dev", f"8:{self._minor}")
        self.write(f"{folder}/{name}/size", str(SIZE_BYTES // 512))
        return f"8:{self._minor}"

    def layer(self, name: str, below: list[str], **files: str) -> str:
        """Add a virtual block device over others and give its device number."""
        folder = self.block(name, "/sys/devices/virtual", **files)
        for other in below:
            self.write(f"{folder}/slaves/{other}/.keep", "")
        return self.number(folder)

    def number(self, folder: str) -> str:
        """Give a block device's number."""
        return (self.root / folder.lstrip("/") / "dev").read_text(encoding="ascii").strip()

    def mount(
        self,
        number: str,
        point: str,
        *,
        kind: str = "ext4",
        source: str = "/dev/x",
        root: str = "/",
        options: str = "rw,relatime",
    ) -> None:
        """Mount something."""
        where = f"{len(self.mounts) + 20} 1 {number} {root} {point} {options}"
        line = f"{where} shared:1 - {kind} {source} {options}"
        self.mounts.append(line)
        self.write("/proc/self/mountinfo", "\n".join(self.mounts))

    def udev(self, number: str, **facts: str) -> None:
        """Put facts into udev's database for a block device."""
        self.write(f"/run/udev/data/b{number}", "\n".join(f"E:{key}={value}" for key, value in facts.items()))

    def sata(self, name: str, *, port: int = 1, pci: str = "0000:00:17.0", **files: str) -> str:
        """Add a SATA drive at a port of a controller and give its folder."""
        place = f"/sys/devices/pci0000:00/{pci}/ata{port}/host{port}/target{port}:0:0/{port}:0:0:0"
        folder = self.block(name, place, **files)
        self.write(f"{place}/vendor", "ATA")
        self.write(f"{place}/model", "Invented Disk 4 (")
        self.write(f"{place}/rev", "2.1")
        self.link(f"{folder}/device", place)
        return folder

    def nvme(self, number: int, *, port: str = "0000:00:1d.0", **files: str) -> str:
        """Add an NVMe drive behind a root port and give its folder."""
        function = f"/sys/devices/pci0000:00/{port}/0000:0{number + 1}:00.0"
        controller = f"{function}/nvme/nvme{number}"
        folder = self.block(f"nvme{number}n1", controller, **files)
        self.write(f"{controller}/serial", f"NV-{number:04d}  ")
        self.write(f"{controller}/model", "Invented Flash 2   ")
        self.write(f"{controller}/firmware_rev", "1.0")
        self.write(f"{controller}/transport", "pcie")
        self.link(f"{folder}/device", controller)
        return folder

    def pcie_link(self, place: str, *, now: tuple[str, str], best: tuple[str, str]) -> None:
        """Give a PCI function its link: speed and width, now and at best."""
        for kind, (speed, width) in (("current", now), ("max", best)):
            self.write(f"{place}/{kind}_link_speed", speed)
            self.write(f"{place}/{kind}_link_width", width)

    def usb(
        self,
        name: str,
        *,
        port: str = "2-1",
        speed: str = "10000",
        driver: str = "uas",
        lun: int = 0,
        pci: str = "0000:00:14.0",
        serial: str = "BRIDGE-7",
        **files: str,
    ) -> str:
        """Add a drive behind a USB bridge and give its folder."""
        device = f"/sys/devices/pci0000:00/{pci}/usb2/{port}"
        interface = f"{device}/{port}:1.0"
        place = f"{interface}/host6/target6:0:0/6:0:0:{lun}"
        folder = self.block(name, place, **files)
        for key, text in {
            "idVendor": "1234",
            "idProduct": "5678",
            "manufacturer": "Invented",
            "product": "Bridge 3",
            "serial": serial,
            "speed": speed,
            "version": " 3.20",
            "removable": "removable",
        }.items():
            self.write(f"{device}/{key}", text)
        self.write(f"/sys/bus/usb/drivers/{driver}/.keep", "")
        if not (self.root / interface.lstrip("/") / "driver").exists():
            self.link(f"{interface}/driver", f"/sys/bus/usb/drivers/{driver}")
        self.write(f"{place}/vendor", "Invented")
        self.write(f"{place}/model", "Portable 5")
        self.link(f"{folder}/device", place)
        return folder

    def scan(self) -> Inventory:
        """Scan this machine."""
        return scan(root=self.root, space=lambda _: ROOM)

    def volume_of(self, path: str) -> tuple[Volume, Inventory]:
        """Find the volume of a path on this machine."""
        return volume_of(Path(path), root=self.root, space=lambda _: ROOM)
