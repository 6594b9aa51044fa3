"""Finds drives that cannot be told apart by their names, and says so."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace

from ebbmark_agent.drives.inventory import Drive, Inventory
from ebbmark_agent.report import DriveIdentity, IdentityConfidence


def tell_apart(drives: tuple[Drive, ...]) -> tuple[tuple[Drive, ...], tuple[str, ...]]:
    """Withdraw the confidence of names that two drives of one machine share.

    Args:
        drives: the drives of one scan.

    Returns:
        The drives, where those that share a serial or world-wide name no longer go by it, and a remark for
        each such name. Drives on one NVMe subsystem are namespaces of one drive and share rightly.
    """
    sharing: dict[str, list[Drive]] = defaultdict(list)
    for drive in drives:
        for name in drive.facts.identity.names():
            sharing[name].append(drive)
    remarks: list[str] = []
    doubted: dict[str, set[str]] = defaultdict(set)
    for name, holders in sharing.items():
        if len(holders) < 2 or len({drive.smart_node for drive in holders}) == 1:
            continue
        kind, _, _ = name.partition(":")
        for drive in holders:
            doubted[drive.ref].add(kind)
        remarks.append(
            f"{_list(sorted(drive.device for drive in holders))} answer with the same {_WORDS[kind]}, so it "
            "names none of them; give each an asset tag to keep their evidence apart."
        )
    return tuple(_without(drive, doubted.get(drive.ref, set())) for drive in drives), tuple(remarks)


def with_names(inventory: Inventory, named: Mapping[str, Drive]) -> Inventory:
    """Give an inventory with better-named drives in it.

    Args:
        inventory: the drives and volumes of this machine.
        named: better-named drives, by ref.

    Returns:
        The inventory; drives that turn out to share a name are told apart anew, for what smartctl reads may
        be shared as well. A disk behind a controller that has the names of a drive is that drive, handed
        through, and is listed once.
    """
    drives, doubts = tell_apart(tuple(named.get(drive.ref, drive) for drive in inventory.drives))
    shown = {name for drive in drives for name in drive.facts.identity.names()}
    behind = (named.get(disk.ref, disk) for disk in inventory.behind)
    return replace(
        inventory,
        drives=drives,
        behind=tuple(disk for disk in behind if not shown & set(disk.facts.identity.names())),
        remarks=tuple(dict.fromkeys((*inventory.remarks, *doubts))),
    )


_WORDS = {"wwn": "world-wide name", "eui64": "EUI-64", "nguid": "NGUID", "serial": "serial number"}


def _without(drive: Drive, kinds: set[str]) -> Drive:
    if not kinds:
        return drive
    identity = drive.facts.identity
    left = {kind: None if kind in kinds else getattr(identity, kind) for kind in _WORDS}
    some_left = any(left.values())
    doubted = DriveIdentity(
        confidence=IdentityConfidence.OWN if some_left else IdentityConfidence.NONE,
        model=identity.model,
        firmware=identity.firmware,
        **left,
    )
    note = "Its names are shared with another drive of this machine."
    return replace(drive, facts=drive.facts.model_copy(update={"identity": doubted, "note": note}))


def _list(names: list[str]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}"
