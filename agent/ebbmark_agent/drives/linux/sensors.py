"""Reads a drive's temperature from the kernel's own sensor files, without starting a program."""

import re
from pathlib import Path

from ebbmark_agent.drives.linux.tree import Tree

_SENSOR = re.compile(r"hwmon\d+")
_MILLIDEGREES = 1000.0


def temperature_c(tree: Tree, name: str) -> float | None:
    """Give a drive's composite temperature as the kernel's nvme or drivetemp driver tells it.

    Args:
        tree: where the kernel's files are.
        name: the drive's kernel name.

    Returns:
        The temperature [°C], None where no driver tells one.

    Source: Documentation/hwmon/sysfs-interface of the kernel: `temp1_input` in millidegrees Celsius; for NVMe
    sensor 1 is the composite temperature.
    """
    device = tree.at("/sys/block") / name / "device"
    for folder in (device, device / "hwmon"):
        for sensor in _sensors(tree, folder):
            millidegrees = tree.number(sensor / "temp1_input")
            if millidegrees is not None:
                return millidegrees / _MILLIDEGREES
    return None


def _sensors(tree: Tree, folder: Path) -> tuple[Path, ...]:
    return tuple(folder / name for name in tree.names(folder) if _SENSOR.fullmatch(name))
