"""Disks behind RAID controllers, which the system does not show: smartctl reaches them by a way of its own.

Their health is read; nothing of theirs is probed or counted. Which volume of the controller a disk belongs to
is certain only where the controller holds but one; and it may still be a spare that belongs to none.
"""

import re
from collections.abc import Iterable
from dataclasses import replace
from typing import Protocol

from ebbmark_agent.drives.inventory import Drive, Inventory
from ebbmark_agent.report import Bus, DriveFacts, DriveIdentity, IdentityConfidence, PathFacts


class Reachable(Protocol):
    """What smartctl lists as reachable; the health readers' scan gives such."""

    @property
    def node(self) -> str:
        """The device to name, such as `/dev/bus/0`."""

    @property
    def device_type(self) -> str:
        """The type to name with it, such as `megaraid,4`."""


# Smartctl's types that name one disk behind a controller. Source: smartctl(8), option -d.
_BEHIND = re.compile(r"(sat\+|scsi\+)?(megaraid|cciss|areca|3ware|aacraid|hpt|sssraid),[0-9,/]+")
_BUS_NODE = re.compile(r"/dev/bus/(\d+)")
_NOBODY = DriveIdentity(confidence=IdentityConfidence.NONE)


def wants_a_look(inventory: Inventory) -> bool:
    """Tell whether a RAID controller serves some drive here, so that smartctl's list is worth asking for."""
    return any(drive.controller is not None for drive in inventory.drives)


def with_those_behind(inventory: Inventory, listed: Iterable[Reachable]) -> Inventory:
    """Add the disks behind RAID controllers to an inventory.

    Args:
        inventory: What the system shows.
        listed: What smartctl lists.

    Returns:
        The inventory with the disks in `behind`, each once, and one remark where some volume of a controller
        may lie on several disks.
    """
    found: dict[str, Drive] = {}
    for one in listed:
        if _BEHIND.fullmatch(one.device_type):
            drive = _disk(inventory, one.node, one.device_type)
            found.setdefault(drive.ref, drive)
    return replace(inventory, behind=tuple(found.values()))


def _disk(inventory: Inventory, node: str, device_type: str) -> Drive:
    served = _served_by(inventory, node)
    controller = served[0].controller if served else None
    plain = re.sub(r"^(sat|scsi)\+", "", device_type)
    upstreams = {drive.facts.path.upstream for drive in served}
    return Drive(
        facts=DriveFacts(
            ref=re.sub(r"[^A-Za-z0-9_.:-]", ".", f"{node.removeprefix('/dev/')}.{plain}")[:64],
            identity=_NOBODY,
            path=PathFacts(bus=Bus.UNKNOWN, upstream=upstreams.pop() if len(upstreams) == 1 else None),
            note=_note(served),
        ),
        device=f"{node} ({plain})",
        smart_node=node,
        smart_type=device_type,
        place=f"{controller or node}/{plain}",
        controller=controller,
        serves=tuple(drive.ref for drive in served) if len(served) == 1 else (),
    )


def _served_by(inventory: Inventory, node: str) -> tuple[Drive, ...]:
    """Give the drives that the controller shows to the system."""
    bus = _BUS_NODE.fullmatch(node)
    if bus is not None:
        controller: str | None = f"host{bus.group(1)}"
    else:
        controller = next((drive.controller for drive in inventory.drives if drive.device == node), None)
    return tuple(drive for drive in inventory.drives if controller and drive.controller == controller)


def _note(served: tuple[Drive, ...]) -> str:
    if not served:
        return "A disk behind a RAID controller; which volume it belongs to is not certain."
    names = " and ".join(drive.device for drive in served)
    if len(served) == 1:
        return f"A disk behind the RAID controller that serves {names}: one of its disks, or a spare."
    return (
        f"A disk behind the RAID controller that serves {names}; to which of them it belongs is not certain."
    )
