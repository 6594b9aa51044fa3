"""Linux: the inventory from `/sys`, `/proc`, `/dev/disk` and udev's database."""

from ebbmark_agent.drives.linux.scan import scan, volume_of
from ebbmark_agent.drives.linux.sensors import temperature_c
from ebbmark_agent.drives.linux.tree import Tree

__all__ = ["Tree", "scan", "temperature_c", "volume_of"]
