"""Compares two scans: which drives and volumes came, went, or changed their path."""

from dataclasses import dataclass

from ebbmark_agent.drives.inventory import Drive, Inventory, Volume


@dataclass(frozen=True, kw_only=True)
class Changes:
    """What is different between two scans of one machine."""

    drives_appeared: tuple[Drive, ...] = ()
    drives_vanished: tuple[Drive, ...] = ()
    volumes_appeared: tuple[Volume, ...] = ()
    volumes_vanished: tuple[Volume, ...] = ()
    paths_changed: tuple[tuple[Drive, Drive], ...] = ()

    @property
    def none(self) -> bool:
        """Tell whether nothing changed."""
        return not (
            self.drives_appeared
            or self.drives_vanished
            or self.volumes_appeared
            or self.volumes_vanished
            or self.paths_changed
        )


def changes(before: Inventory, after: Inventory) -> Changes:
    """Tell what changed from one scan to the next.

    Args:
        before: the earlier scan.
        after: the later one.

    Returns:
        Drives compared by their lasting key and, where the system counts insertions, by that: a medium
        changed in the same reader went and another came, and one that was pulled and put back did both. A
        drive whose link or port is another changed its path.
    """
    earlier = {drive.key: drive for drive in before.drives}
    later = {drive.key: drive for drive in after.drives}
    stayed = {key for key in earlier.keys() & later.keys() if _same_insertion(earlier[key], later[key])}
    volumes_before = {_volume_key(volume): volume for volume in before.volumes}
    volumes_after = {_volume_key(volume): volume for volume in after.volumes}
    return Changes(
        drives_appeared=tuple(drive for key, drive in later.items() if key not in stayed),
        drives_vanished=tuple(drive for key, drive in earlier.items() if key not in stayed),
        volumes_appeared=tuple(v for key, v in volumes_after.items() if key not in volumes_before),
        volumes_vanished=tuple(v for key, v in volumes_before.items() if key not in volumes_after),
        paths_changed=tuple(
            (earlier[key], drive)
            for key, drive in later.items()
            if key in stayed and earlier[key].facts.path != drive.facts.path
        ),
    )


def _same_insertion(before: Drive, after: Drive) -> bool:
    counted = before.medium_number is not None and after.medium_number is not None
    return not counted or before.medium_number == after.medium_number


def _volume_key(volume: Volume) -> tuple[str, str, tuple[str, ...]]:
    return volume.facts.volume_id, volume.mount_point, volume.facts.member_refs
