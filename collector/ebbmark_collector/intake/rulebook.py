"""The rules in force: roles shipped and the house's own, and which subject has which role.

Shipped roles come with the agent's evidence package; a stored role of the same name takes its place. What is
read is kept until somebody edits a rule, which changes the mark under which it is kept.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from importlib import resources
from typing import Any

from ebbmark_agent.evidence import (
    FORMATS_FILE,
    ROLES_FILE,
    Formats,
    RecordingFormat,
    load_formats,
    load_roles,
    role_from_table,
)
from pydantic import TypeAdapter

from ebbmark_collector.roles import AssignmentRule, AssignmentRules, Candidate, DriveRole, MatchedBy, Watch
from ebbmark_collector.store import Row, Tx, rules

_WATCH: TypeAdapter[Watch] = TypeAdapter(Watch)


@dataclass(frozen=True, kw_only=True)
class Rulebook:
    """Every role and assignment rule in force.

    Attributes:
        mark: Names this state of the rules; another mark means that something was edited.
        roles: By name.
        assignments: In their order, each with its id.
    """

    mark: str
    formats: Formats
    roles: Mapping[str, DriveRole]
    assignments: tuple[tuple[str, AssignmentRule], ...]

    def role(self, name: str | None) -> DriveRole | None:
        """Give the role of this name, or None."""
        return self.roles.get(name) if name else None

    def assign(self, candidate: Candidate) -> tuple[str, str] | None:
        """Give the rule's id and the role it hands to a subject, or None."""
        place = self._ready.place_of(candidate)
        if place is None:
            return None
        rule_id, rule = self.assignments[place]
        return rule_id, rule.role_name

    @cached_property
    def _ready(self) -> AssignmentRules:
        return AssignmentRules([rule for _, rule in self.assignments])


@lru_cache(maxsize=1)
def shipped_formats() -> Formats:
    """Give the recording formats that ship with the agent's evidence package."""
    return load_formats(_text(FORMATS_FILE))


@lru_cache(maxsize=4)
def formats_with(house: str | None, *, what: str = "the house's formats") -> Formats:
    """Give the shipped formats with a house's own beside or in place of them.

    Args:
        house: The text of the house's file; None where it has none.
        what: How to call the file in a message.

    Raises:
        DefinitionError: With every mistake in the file.
    """
    return shipped_formats() if house is None else load_formats(house, extends=shipped_formats(), what=what)


@lru_cache(maxsize=4)
def shipped_roles(house: str | None = None) -> dict[str, DriveRole]:
    """Give the roles that ship with the agent's evidence package, on a house's formats if it has some."""
    return {role.name: DriveRole.of(role) for role in load_roles(_text(ROLES_FILE), formats_with(house))}


def is_of_the_house(one: RecordingFormat) -> bool:
    """Tell whether a format comes from the house's own file."""
    return shipped_formats().formats.get(one.name) != one


def _text(name: str) -> str:
    return resources.files("ebbmark_agent.evidence").joinpath(name).read_text(encoding="utf-8")


def role_of(document: Mapping[str, Any], formats: Formats) -> DriveRole:
    """Read a stored or sent role: `{"role": {...}, "watch": {...}}`, keys as in a role file.

    Args:
        document: The role.
        formats: The recording formats in force.

    Raises:
        DefinitionError: With every mistake in the role found.
        pydantic.ValidationError: With every mistake in how it is watched.
    """
    role = role_from_table(document["role"], formats)
    return DriveRole.of(role, _WATCH.validate_python(document.get("watch") or {}))


def watch_document(watch: Watch) -> dict[str, Any]:
    """Give how a role is watched as plain values."""
    plain: dict[str, Any] = _WATCH.dump_python(watch, mode="json")
    return plain


def _read(tx: Tx, mark: str) -> Rulebook:
    role_texts = [row["document"] for row in rules.roles(tx)]
    rule_texts = [
        (row["assignment_id"], row["matched_by"], row["pattern"], row["role"])
        for row in rules.assignments(tx)
    ]
    house_formats = rules.house_formats(tx)
    formats = formats_with(house_formats)
    house = [role_of(json.loads(text), formats) for text in role_texts]
    return Rulebook(
        mark=mark,
        formats=formats,
        roles={**shipped_roles(house_formats), **{role.name: role for role in house}},
        assignments=tuple(
            (rule_id, AssignmentRule(matched_by=MatchedBy(kind), pattern=pattern, role_name=role))
            for rule_id, kind, pattern, role in rule_texts
        ),
    )


_KEPT: dict[str, Rulebook] = {}
_MOST_KEPT = 8  # [1] more stores than that in one process read their rules again


def rulebook(tx: Tx) -> Rulebook:
    """Give the rules in force."""
    mark = rules.mark(tx)
    book = _KEPT.get(mark)
    if book is None:
        book = _read(tx, mark)
        while len(_KEPT) >= _MOST_KEPT:
            _KEPT.pop(next(iter(_KEPT)))
        _KEPT[mark] = book
    return book


def candidate_of(drive: Row, host_name: str | None) -> Candidate:
    """Give the names of a drive that a rule may look at."""
    return _candidate(
        serial=drive["serial"],
        wwn=drive["wwn"],
        asset_tag=drive["asset_tag"],
        model=drive["model"],
        host_name=host_name,
        volumes_json=drive["volumes_json"],
        removable=bool(drive["removable"]),
    )


@lru_cache(maxsize=4096)
def _candidate(
    *,
    serial: str | None,
    wwn: str | None,
    asset_tag: str | None,
    model: str | None,
    host_name: str | None,
    volumes_json: str,
    removable: bool,
) -> Candidate:
    mounts = [volume.get("mount") for volume in json.loads(volumes_json)]
    return Candidate(
        serials=tuple(name for name in (serial, wwn) if name),
        asset_tag=asset_tag,
        model=model,
        host=host_name,
        mounts=tuple(mount for mount in mounts if mount),
        fixed=not removable,
    )
