"""Which volume lies on which drives: mapped where it is certain, said once where it is not."""

from pathlib import Path

import pytest
from ebbmark_agent.drives import scan, volume_of
from ebbmark_agent.errors import NotAVolumeError, PathMissingError
from ebbmark_agent.platforms import VolumeSpace
from ebbmark_agent.report import MappingCertainty

from tests.agent.drives.tree import ROOM, Machine


def test_partition_lies_on_its_drive(machine: Machine) -> None:
    """A file system on a partition lies on the whole drive, with its room and its kind."""
    number = machine.partition(machine.sata("sda"), "sda1")
    machine.mount(number, "/media/a", kind="xfs")
    (volume,) = machine.scan().volumes

    assert volume.facts.member_refs == ("sda",)
    assert (volume.facts.size_bytes, volume.facts.free_bytes) == (ROOM.total_bytes, ROOM.free_bytes)
    assert (volume.facts.file_system, volume.device, volume.mount_point) == ("xfs", "/dev/sda1", "/media/a")
    assert volume.probeable


def test_unlocked_encryption_is_allowed_and_marked(machine: Machine) -> None:
    """An unlocked encrypted volume lies on its drive and says that it is encrypted."""
    machine.partition(machine.nvme(0), "nvme0n1p2")
    number = machine.layer("dm-0", ["nvme0n1p2"], dm__uuid="CRYPT-LUKS2-abc-cr", dm__name="cr")
    machine.mount(number, "/work", source="/dev/mapper/cr")
    (volume,) = machine.scan().volumes

    assert (volume.facts.member_refs, volume.facts.encrypted, volume.probeable) == (("nvme0n1",), True, True)


def test_raid_set_names_its_members(machine: Machine) -> None:
    """A volume on a RAID set is an array with its members."""
    for port, name in enumerate(("sda", "sdb", "sdc"), start=1):
        machine.partition(machine.sata(name, port=port), f"{name}1")
    number = machine.layer("md0", ["sda1", "sdb1", "sdc1"], md__level="raid5", md__raid_disks="3")
    machine.mount(number, "/array")
    inventory = machine.scan()
    (volume,) = inventory.volumes

    assert volume.array
    assert volume.probeable
    assert [drive.ref for drive in inventory.members(volume)] == ["sda", "sdb", "sdc"]


def test_encryption_over_a_raid_set(machine: Machine) -> None:
    """Layers over layers are followed down: encryption over RAID has the RAID's members."""
    machine.sata("sda", port=1)
    machine.sata("sdb", port=2)
    machine.layer("md1", ["sda", "sdb"], md__level="raid0")
    number = machine.layer("dm-3", ["md1"], dm__uuid="CRYPT-LUKS2-x", dm__name="x")
    machine.mount(number, "/array")
    (volume,) = machine.scan().volumes

    assert (volume.facts.member_refs, volume.facts.encrypted) == (("sda", "sdb"), True)


def test_bind_mounts_collapse(machine: Machine) -> None:
    """A file system seen in several places is one volume, named by the place that shows its root."""
    number = machine.partition(machine.sata("sda"), "sda1")
    machine.mount(number, "/srv/exports", root="/exports")
    machine.mount(number, "/media/a")
    machine.mount(number, "/b", root="/deep/folder")
    (volume,) = machine.scan().volumes

    assert volume.mount_point == "/media/a"


def test_hidden_mount_does_not_count(machine: Machine) -> None:
    """A mount that a later one on the same place hides is not seen."""
    below = machine.partition(machine.sata("sda", port=1), "sda1")
    above = machine.partition(machine.sata("sdb", port=2), "sdb1")
    machine.mount(below, "/media/a")
    machine.mount(above, "/media/a")
    (volume,) = machine.scan().volumes

    assert volume.facts.member_refs == ("sdb",)


@pytest.mark.parametrize(
    ("files", "copies"),
    [
        pytest.param({"md__level": "raid0"}, 1.0, id="stripe"),
        pytest.param({"md__level": "linear"}, 1.0, id="one after the other"),
        pytest.param({"md__level": "raid1", "md__raid_disks": "3"}, 3.0, id="mirror of three"),
        pytest.param(
            {"md__level": "raid1", "md__raid_disks": "3", "md__degraded": "1"}, 2.0, id="mirror less one"
        ),
        pytest.param({"md__level": "raid5", "md__raid_disks": "3"}, 1.5, id="parity"),
        pytest.param({"md__level": "raid6", "md__raid_disks": "6"}, 1.5, id="double parity"),
        pytest.param(
            {"md__level": "raid10", "md__raid_disks": "4", "md__layout": "258"}, 2.0, id="two near copies"
        ),
        pytest.param(
            {"md__level": "raid10", "md__raid_disks": "4", "md__layout": "513"}, 2.0, id="two far copies"
        ),
    ],
)
def test_a_raid_set_tells_how_often_a_byte_is_written(
    machine: Machine, files: dict[str, str], copies: float
) -> None:
    """What reaches the members for each byte of the set follows from its level and layout.

    Source: md(4) of the mdadm distribution: 0x102 is two near copies, 0x201 two far ones.
    """
    for port, name in enumerate(("sda", "sdb", "sdc"), start=1):
        machine.sata(name, port=port)
    machine.mount(machine.layer("md0", ["sda", "sdb", "sdc"], **files), "/array")
    (volume,) = machine.scan().volumes

    assert volume.probeable
    assert volume.copies_beneath == pytest.approx(copies)


@pytest.mark.parametrize(
    "files",
    [
        pytest.param({"md__level": "raid1"}, id="no count of members"),
        pytest.param({"md__level": "raid5", "md__raid_disks": "4 (3)"}, id="growing"),
        pytest.param({"md__level": "raid10", "md__raid_disks": "4"}, id="no layout"),
    ],
)
def test_a_raid_set_whose_layout_is_not_shown_is_not_probed(machine: Machine, files: dict[str, str]) -> None:
    """Own bytes that cannot be told from a take's on the members make the volume uncertain."""
    machine.sata("sda", port=1)
    machine.sata("sdb", port=2)
    machine.mount(machine.layer("md0", ["sda", "sdb"], **files), "/array")
    (volume,) = machine.scan().volumes

    assert not volume.probeable
    assert "layout" in (volume.facts.note or "")


@pytest.mark.parametrize(
    ("name", "files"),
    [
        pytest.param("dm-0", {"dm__uuid": "LVM-abcdef", "dm__name": "vg-lv"}, id="LVM"),
        pytest.param("dm-0", {"dm__uuid": "mpath-3600", "dm__name": "mpatha"}, id="several paths"),
        pytest.param("md0", {"md__level": "container"}, id="RAID container"),
        pytest.param("bcache0", {}, id="cache over a drive"),
    ],
)
def test_uncertain_layers_are_said_once(machine: Machine, name: str, files: dict[str, str]) -> None:
    """A layer that does not show where bytes lie makes the volume uncertain, with one remark."""
    machine.partition(machine.sata("sda"), "sda1")
    number = machine.layer(name, ["sda1"], **files)
    machine.mount(number, "/data")
    inventory = machine.scan()
    (volume,) = inventory.volumes

    assert (volume.facts.certainty, volume.probeable) == (MappingCertainty.UNCERTAIN, False)
    assert len(inventory.remarks) == 1
    assert "not probed" in inventory.remarks[0]


def test_bare_mapping_over_one_drive_is_certain(machine: Machine) -> None:
    """A device-mapper target over a single device lies on that device."""
    machine.sata("sda")
    number = machine.layer("dm-5", ["sda"], dm__uuid="", dm__name="slow")
    machine.mount(number, "/data")
    (volume,) = machine.scan().volumes

    assert (volume.facts.member_refs, volume.probeable) == (("sda",), True)


def test_btrfs_over_several_devices_is_uncertain(machine: Machine) -> None:
    """A btrfs over two devices is uncertain, one over a single device is not; subvolumes collapse."""
    machine.sata("sda", port=1)
    machine.sata("sdb", port=2)
    machine.sata("sdc", port=3)
    for device in ("sda", "sdb"):
        machine.write(f"/sys/fs/btrfs/uuid-1/devices/{device}/.keep", "")
    machine.write("/sys/fs/btrfs/uuid-2/devices/sdc/.keep", "")
    machine.mount("0:40", "/two", kind="btrfs", source="/dev/sda")
    machine.mount("0:41", "/one", kind="btrfs", source="/dev/sdc", root="/@")
    machine.mount("0:42", "/one/home", kind="btrfs", source="/dev/sdc", root="/@home")
    two, one = machine.scan().volumes

    assert (two.probeable, two.facts.member_refs) == (False, ("sda", "sdb"))
    assert (one.probeable, one.facts.member_refs) == (True, ("sdc",))


def test_btrfs_on_an_unlocked_mapping(machine: Machine) -> None:
    """A btrfs, whose mount names only a mapping, is followed to the drive below by that name."""
    machine.nvme(0)
    machine.layer("dm-0", ["nvme0n1"], dm__uuid="CRYPT-LUKS2-a", dm__name="work")
    machine.mount("0:44", "/work", kind="btrfs", source="/dev/mapper/work")
    (volume,) = machine.scan().volumes

    assert (volume.facts.member_refs, volume.facts.encrypted) == (("nvme0n1",), True)
    assert volume.probeable


def test_mount_of_a_device_that_is_not_shown(machine: Machine) -> None:
    """A device that is mounted but not shown, as inside a container, is uncertain."""
    machine.mount("8:99", "/data", source="/dev/gone")
    (volume,) = machine.scan().volumes

    assert (volume.probeable, volume.facts.note) == (False, "a device that is not shown")


def test_room_that_cannot_be_read_is_said(machine: Machine) -> None:
    """A volume whose room cannot be read says so and stays in the inventory."""

    def refuse(point: str) -> VolumeSpace:
        raise OSError(5, "Input/output error", point)

    number = machine.partition(machine.sata("sda"), "sda1")
    machine.mount(number, "/a")
    (volume,) = scan(root=machine.root, space=refuse).volumes

    assert volume.facts.free_bytes == 0
    assert "Input/output error" in (volume.facts.note or "")


def test_network_volumes_are_said_once(machine: Machine) -> None:
    """Network volumes are out of scope: one remark, no volume, and none is touched."""
    machine.mount("0:50", "/net/a", kind="nfs4", source="server:/a")
    machine.mount("0:51", "/net/b", kind="cifs", source="//server/b")
    inventory = machine.scan()

    assert inventory.volumes == ()
    assert inventory.remarks == ("2 volumes of other machines: out of scope, neither probed nor watched.",)


def test_drive_of_another_machine_is_network(machine: Machine) -> None:
    """A block device that another machine serves counts as network, however local it looks."""
    folder = machine.block("sdx", "/sys/devices/platform/host9/session1/target9:0:0/9:0:0:0")
    machine.mount(machine.number(folder), "/iscsi")
    inventory = machine.scan()

    assert (inventory.drives, inventory.volumes) == ((), ())
    assert "other machines" in inventory.remarks[0]


def test_layered_file_systems_are_said_once(machine: Machine) -> None:
    """Overlays, of which a container host has dozens, are one remark and no volume."""
    for number in range(5):
        machine.mount(f"0:{60 + number}", f"/overlay/{number}", kind="overlay", source="overlay")
    inventory = machine.scan()

    assert inventory.volumes == ()
    assert len(inventory.remarks) == 1


def test_images_and_pseudo_file_systems_are_nothing(machine: Machine) -> None:
    """Read-only images and the kernel's own file systems are neither volumes nor remarks."""
    folder = machine.block("loop3", "/sys/devices/virtual", loop__backing_file="/var/lib/app.img")
    machine.mount(machine.number(folder), "/snap/app", kind="squashfs", source="/dev/loop3")
    machine.mount("0:5", "/proc", kind="proc", source="proc")
    machine.mount("0:6", "/run", kind="tmpfs", source="tmpfs")
    inventory = machine.scan()

    assert (inventory.drives, inventory.volumes, inventory.remarks) == ((), (), ())


@pytest.mark.parametrize("options", ["ro,relatime", "rw,relatime,emergency_ro", "rw,shutdown"])
def test_read_only_however_it_came(machine: Machine, options: str) -> None:
    """A volume mounted read-only, or shut by the kernel after an error, is read-only."""
    number = machine.partition(machine.sata("sda"), "sda1")
    machine.mount(number, "/a", options=options)
    (volume,) = machine.scan().volumes

    assert volume.facts.read_only


def test_write_protected_drive_is_read_only(machine: Machine) -> None:
    """A volume on a device that is set read-only is read-only, though mounted otherwise."""
    folder = machine.sata("sda")
    machine.write(f"{folder}/ro", "1")
    machine.mount(machine.number(folder), "/a")
    (volume,) = machine.scan().volumes

    assert volume.facts.read_only


def test_volume_goes_by_its_file_systems_uuid(machine: Machine) -> None:
    """Where the file system's UUID is known the volume goes by it on every machine."""
    number = machine.partition(machine.sata("sda"), "sda1")
    machine.udev(number, ID_FS_UUID="11-22", ID_FS_LABEL="REEL 7")
    machine.mount(number, "/media/a")
    (volume,) = machine.scan().volumes

    assert (volume.facts.volume_id, volume.facts.label) == ("fs-11-22", "REEL 7")


def test_uuid_from_the_device_links(machine: Machine) -> None:
    """Without udev's database the link in /dev/disk/by-uuid tells the UUID."""
    number = machine.partition(machine.sata("sda"), "sda1")
    machine.write("/dev/sda1", "")
    machine.link("/dev/disk/by-uuid/33-44", "/dev/sda1")
    machine.mount(number, "/media/a")
    (volume,) = machine.scan().volumes

    assert volume.facts.volume_id == "fs-33-44"


def test_volume_without_uuid_keeps_its_path_to_itself(machine: Machine) -> None:
    """A volume without a UUID goes by a trace that does not show its path and lasts over scans."""
    number = machine.partition(machine.sata("sda"), "sda1")
    machine.mount(number, "/media/secret-title")
    first, second = machine.scan().volumes[0], machine.scan().volumes[0]

    assert "secret" not in first.facts.volume_id
    assert first.facts.volume_id == second.facts.volume_id


def test_blanks_in_a_mount_point(machine: Machine) -> None:
    r"""A blank in a mount point, written as \040 in the table, is a blank."""
    number = machine.partition(machine.sata("sda"), "sda1")
    machine.mount(number, r"/media/My\040Card")
    (volume,) = machine.scan().volumes

    assert volume.mount_point == "/media/My Card"


def test_volume_of_a_path(machine: Machine) -> None:
    """A path belongs to the innermost mount that holds it, by whole names."""
    outer = machine.partition(machine.sata("sda", port=1), "sda1")
    inner = machine.partition(machine.sata("sdb", port=2), "sdb1")
    machine.mount(outer, "/")
    machine.mount(inner, "/media/a")
    inside, _ = machine.volume_of("/media/a/clips/1.mov")
    beside, inventory = machine.volume_of("/media/ab")

    assert inside.facts.member_refs == ("sdb",)
    assert [drive.ref for drive in inventory.members(beside)] == ["sda"]


def test_volume_of_a_bound_folder(machine: Machine) -> None:
    """A path below a bind mount belongs to the volume behind it."""
    number = machine.partition(machine.sata("sda"), "sda1")
    machine.mount(number, "/media/a")
    machine.mount(number, "/exports", root="/share")
    volume, _ = machine.volume_of("/exports/x")

    assert volume.mount_point == "/media/a"


@pytest.mark.parametrize(
    ("kind", "network"), [("nfs4", True), ("overlay", False), ("tmpfs", False), ("zfs", False)]
)
def test_volume_of_a_path_out_of_reach(machine: Machine, kind: str, network: bool) -> None:
    """A path on a network, layered or memory file system has a volume that says why it is not probed."""
    machine.mount("0:70", "/x", kind=kind, source="somewhere")
    volume, _ = machine.volume_of("/x/file")

    assert (volume.probeable, volume.facts.network) == (False, network)
    assert volume.facts.note


def test_path_that_is_not_there(tmp_path: Path) -> None:
    """A path that does not exist on this machine is an error that says so."""
    with pytest.raises(PathMissingError, match="does not exist"):
        volume_of(tmp_path / "nothing")


def test_path_that_no_mount_holds(machine: Machine) -> None:
    """Without any mount there is no volume, and the error says so."""
    with pytest.raises(NotAVolumeError):
        machine.volume_of("/x")


def test_broken_mount_table_lines_are_passed_over(machine: Machine) -> None:
    """Lines that do not have the form of a mount are passed over."""
    number = machine.partition(machine.sata("sda"), "sda1")
    machine.mounts += ["", "rubbish", "1 2 3 4 5 - x"]
    machine.mount(number, "/media/a")

    assert len(machine.scan().volumes) == 1


def test_ring_of_layers_is_broken(machine: Machine) -> None:
    """Layers that claim to lie on each other end as uncertain."""
    number = machine.layer("dm-0", ["dm-1"], dm__uuid="CRYPT-a", dm__name="a")
    machine.layer("dm-1", ["dm-0"], dm__uuid="CRYPT-b", dm__name="b")
    machine.mount(number, "/x")
    (volume,) = machine.scan().volumes

    assert not volume.probeable
