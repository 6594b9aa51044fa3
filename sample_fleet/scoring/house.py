"""The studio's own rules, as its admin would enter them: roles, who has which, asset tags."""

from sample_fleet.studio.invent import Drive, Studio
from sample_fleet.studio.roles import StudioRole

SOURCE = "the studio's own practice"


def role_document(role: StudioRole) -> dict[str, object]:
    """Give a role in the form a role file takes."""
    duty = role.duty
    return {
        "name": role.name,
        "label": role.name.replace("-", " "),
        "kind": "recorder" if role.recorder else "working",
        "streams": [{"format": f"{duty.rate_bytes_per_s / 1e6:g}MB/s"}],
        "headroom": {"value": duty.headroom, "source": SOURCE},
        "buffer_s": {"value": duty.buffer_s, "source": SOURCE},
        "take_s": {"value": role.take_s, "source": SOURCE},
        "spot_mbyte": {"value": role.spot_bytes / 1e6, "source": SOURCE},
        "soak_every_days": {"value": role.soak_every_days, "source": SOURCE},
        "wear_share_a_year": {"value": role.wear_share_a_year, "source": SOURCE},
        "validity_days": {"value": max(90, role.soak_every_days * 2), "source": SOURCE},
    }


def assigned(studio: Studio) -> list[tuple[Drive, str]]:
    """Give the drives that are assigned by their own serial, with their role's name."""
    return [(drive, drive.role.name) for drive in studio.drives if drive.own_identity]
