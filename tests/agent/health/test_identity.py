"""A drive's names as smartctl tells them: in one form, with the confidence they deserve."""

from ebbmark_agent.report import IdentityConfidence

from tests.agent.health.conftest import Interpret
from tests.agent.health.documents import ata, envelope, nvme, scsi


def test_world_wide_name_is_put_together(told: Interpret) -> None:
    """The three parts of an NAA 5 name make the sixteen digits the kernel shows."""
    identity = told(ata(wwn={"naa": 5, "oui": 0x000C50, "id": 0x0A1B2C3D4})).identity

    assert identity is not None
    assert identity.wwn == "0x5000c500a1b2c3d4"


def test_namespace_eui64(told: Interpret) -> None:
    """A namespace's EUI-64 is sixteen digits; one that is all zero is none."""
    named = told(
        nvme(nvme_namespaces=[{"id": 1, "eui64": {"oui": 0x002538, "ext_id": 0x0123456789}}])
    ).identity
    unnamed = told(nvme(nvme_namespaces=[{"id": 1, "eui64": {"oui": 0, "ext_id": 0}}])).identity

    assert named is not None
    assert unnamed is not None
    assert named.eui64 == "0025380123456789"
    assert unnamed.eui64 is None


def test_locally_assigned_unit_id_is_no_world_wide_name(told: Interpret) -> None:
    """A logical unit id of the locally assigned type does not name a drive beyond its machine."""
    local = told(scsi(logical_unit_id="0x3333333000006590")).identity
    registered = told(scsi(logical_unit_id="0x5000c500a1b2c3d4")).identity

    assert local is not None
    assert registered is not None
    assert local.wwn is None
    assert registered.wwn == "0x5000c500a1b2c3d4"


def test_bridge_answering_for_itself_is_a_reader(told: Interpret) -> None:
    """Over USB a SCSI answer is the reader's; an ATA or NVMe answer is the drive's own."""
    reader = told(scsi(), over_usb=True).identity
    own = told(ata(), over_usb=True).identity

    assert reader is not None
    assert own is not None
    assert (reader.confidence, own.confidence) == (IdentityConfidence.READER, IdentityConfidence.OWN)


def test_nothing_told_is_no_identity(told: Interpret) -> None:
    """Without a serial or other name there is no identity."""
    assert told(envelope()).identity is None
