"""The formats and roles in force on this machine, and the demand of a name somebody typed."""

from dataclasses import replace
from functools import cache
from importlib import resources
from pathlib import Path

from ebbmark_agent.errors import SettingsError, UnknownDemandError
from ebbmark_agent.evidence import (
    FORMATS_FILE,
    ROLES_FILE,
    DefinitionError,
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


def formats_with(house_file: Path | None) -> Formats:
    """Give the formats in force: those that come with the program, and the house's own beside or over them.

    Args:
        house_file: The house's format file; None where there is none.

    Raises:
        SettingsError: The file cannot be read, or with every mistake in it.
    """
    if house_file is None:
        return shipped_formats()
    where = "house.formats_file"
    try:
        text = house_file.read_text(encoding="utf-8")
        return load_formats(text, extends=shipped_formats(), what=str(house_file))
    except OSError as error:
        fault = f"{house_file} cannot be read: {error.strerror}."
        raise SettingsError(source=where, faults=(fault,)) from error
    except UnicodeDecodeError as error:
        raise SettingsError(source=where, faults=(f"{house_file} is not UTF-8.",)) from error
    except DefinitionError as error:
        faults = tuple(f"{house_file}: {fault}" for fault in error.faults)
        raise SettingsError(source=where, faults=faults) from error


def demand_named(
    named: str,
    *,
    formats: Formats | None = None,
    headroom: float | None = None,
    take_s: float | None = None,
    buffer_s: float | None = None,
    side: Side = Side.WRITE,
) -> Demand:
    """Make the demand of a role, a recording format or a rate.

    Args:
        named: Its name, or a rate such as `150MB/s`.
        formats: The formats in force; None takes those that come with the program.
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
            return demand_of_format((formats or shipped_formats()).find(named), side=side, **given)
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
