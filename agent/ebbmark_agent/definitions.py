"""The formats and roles that come with the program, and the demand of a name somebody typed."""

from dataclasses import replace
from functools import cache
from importlib import resources

from ebbmark_agent.errors import UnknownDemandError
from ebbmark_agent.evidence import (
    FORMATS_FILE,
    ROLES_FILE,
    Demand,
    Formats,
    Roles,
    Side,
    UnknownFormat,
    demand_of,
    demand_of_format,
    load_formats,
    load_roles,
    read_demand_of,
)


@cache
def shipped_formats() -> Formats:
    """Give the formats that come with the program."""
    folder = resources.files("ebbmark_agent.evidence")
    return load_formats((folder / FORMATS_FILE).read_text(encoding="utf-8"))


@cache
def shipped_roles() -> Roles:
    """Give the roles that come with the program."""
    folder = resources.files("ebbmark_agent.evidence")
    return load_roles((folder / ROLES_FILE).read_text(encoding="utf-8"), shipped_formats())


def demand_named(
    named: str,
    *,
    headroom: float | None = None,
    take_s: float | None = None,
    buffer_s: float | None = None,
    side: Side = Side.WRITE,
) -> Demand:
    """Make the demand of a role, a recording format or a rate.

    Args:
        named: Its name, or a rate such as `150MB/s`.
        headroom: Replaces the role's own [1].
        take_s: Replaces the role's own [s].
        buffer_s: Replaces the role's own [s].
        side: Whether it is for writing or for reading.

    Returns:
        The demand.

    Raises:
        UnknownDemandError: It is none of them, or makes no sense.
    """
    asked = {"headroom": headroom, "take_s": take_s, "buffer_s": buffer_s}
    given = {key: value for key, value in asked.items() if value is not None}
    role = shipped_roles().get(named)
    try:
        if role is None:
            return demand_of_format(shipped_formats().find(named), side=side, **given)
        asked_of = read_demand_of if side is Side.READ else demand_of
        demand = asked_of(replace(role, **given))  # type: ignore[arg-type]
    except UnknownFormat as error:
        raise UnknownDemandError(named=named, reason=_nearest(error)) from error
    except ValueError as error:
        raise UnknownDemandError(named=named, reason=str(error)) from error
    if demand is None:
        raise UnknownDemandError(named=named, reason="that role asks nothing of this kind.")
    return demand


def _nearest(error: UnknownFormat) -> str:
    return f"did you mean {' or '.join(error.near)}?" if error.near else "nothing goes by that name."
