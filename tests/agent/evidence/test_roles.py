"""Roles: thresholds with their sources, relaxations, and files that are refused as a whole."""

import pytest
from ebbmark_agent.evidence import (
    DefinitionError,
    Role,
    RoleKind,
    demand_of,
    load_roles,
    read_demand_of,
    role_from_table,
    role_to_table,
)

from tests.agent.evidence.judging import MB, shipped, shipped_formats, shipped_roles

ROLE = """\
version = 1
[[role]]
name = "Stage"
kind = "recorder"
streams = [{ format = "100MB/s" }]
headroom = { value = 1.5, source = "the house" }
buffer_s = 2
"""


def _load(text: str) -> Role:
    return next(iter(load_roles(text, shipped_formats())))


def test_a_role_reads_with_defaults() -> None:
    """What is not said has a default; a name is told in small letters."""
    role = _load(ROLE)

    assert (role.name, role.kind, role.headroom, role.buffer_s) == ("stage", RoleKind.RECORDER, 1.5, 2.0)
    assert role.take_s is None
    assert role.sources == {"headroom": "the house"}


def test_demand_of_a_role() -> None:
    """A role asks its streams times its headroom, for the whole medium unless it says otherwise."""
    found = demand_of(_load(ROLE))

    assert found is not None
    assert (found.rate_bytes_per_s, found.demand_bytes_per_s) == (100 * MB, 150 * MB)
    assert found.take_s is None


@pytest.mark.parametrize("role", list(shipped_roles()), ids=lambda role: role.name)
def test_every_shipped_threshold_has_a_source(role: Role) -> None:
    """No number ships without where it comes from."""
    given = set(role_to_table(role)) - {"name", "label", "kind", "slots", "streams", "read_streams"}
    in_file = {key for key in given if f"\n{key} = " in _text_of(role.name)}

    assert in_file == set(role.sources)
    assert all(source.strip() for source in role.sources.values())


def _text_of(name: str) -> str:
    blocks = shipped("roles.toml").split("[[role]]")
    return next(block for block in blocks if f'name = "{name}"' in block)


@pytest.mark.parametrize("role", list(shipped_roles()), ids=lambda role: role.name)
def test_a_role_survives_being_stored(role: Role) -> None:
    """A role written as plain values reads back the same."""
    assert role_from_table(role_to_table(role), shipped_formats()) == role


def test_shipped_roles_cover_the_trades_uses() -> None:
    """There are recorders of whole media, single takes and proxies, and playback and transfer."""
    roles = shipped_roles()
    recorder, takes, edit = roles.get("field-recorder"), roles.get("single-takes"), roles.get("edit-playback")

    assert recorder is not None
    assert recorder.take_s is None
    assert recorder.is_recorder
    assert takes is not None
    assert takes.take_s is not None
    assert takes.rest_before_take_s is not None
    assert edit is not None
    assert not edit.is_recorder
    assert roles.get("proxy-recorder") is not None
    assert roles.get("transfer") is not None


def test_an_edit_role_asks_for_reading() -> None:
    """Playback of four UHD HQ streams at 25 asks 4 x 92.125 MB/s of reading, times its headroom."""
    edit = shipped_roles().get("edit-playback")
    assert edit is not None

    found = read_demand_of(edit)

    assert found is not None
    assert found.side == "read"
    assert found.rate_bytes_per_s == pytest.approx(368.5 * MB)


def test_a_system_role_asks_for_no_rate() -> None:
    """A system drive has its health watched, and no demand is made up for it."""
    system = shipped_roles().get("system")
    assert system is not None

    assert demand_of(system) is None
    assert read_demand_of(system) is None


@pytest.mark.parametrize(
    ("change", "line", "key", "legal"),
    [
        (("recorder", "recoder"), 4, "kind", "recorder, working, system"),
        (("buffer_s = 2", "buffer_s = -2"), 7, "buffer_s", "at least 0"),
        (("buffer_s", "bufer_s"), 7, "bufer_s", "did you mean buffer_s"),
        (("100MB/s", "100 parsecs"), 5, "format", "880Mb/s"),
        (("100MB/s", "0MB/s"), 5, "format", "above zero"),
        (("value = 1.5", "value = 0.5"), 6, "value", "at least 1"),
        (("the house", " "), 6, "source", "a text in quotes"),
    ],
)
def test_a_fault_names_line_key_and_legal_values(
    change: tuple[str, str], line: int, key: str, legal: str
) -> None:
    """A mistake in a role file names where it stands and what is legal."""
    with pytest.raises(DefinitionError) as raised:
        _load(ROLE.replace(*change))

    fault = raised.value.faults[0]
    assert fault.line == line
    assert fault.key.endswith(key)
    assert legal in fault.sentence


def test_all_faults_of_a_role_file_come_at_once() -> None:
    """Nothing of a file with mistakes is taken, and none of the mistakes waits for the next try."""
    text = ROLE.replace("recorder", "x").replace("buffer_s = 2", "buffer_s = -2").replace("100MB/s", "y")

    with pytest.raises(DefinitionError, match="3 mistakes"):
        _load(text)


@pytest.mark.parametrize(
    ("extra", "match"),
    [
        ("rest_before_take_s = 60", "needs take_s"),
        ("seam_every_s = 60", "seam_pause_s.*go together"),
        ("seam_every_s = 60\nseam_pause_s = 60", "no time to write"),
        ("seam_every_s = 60\nseam_pause_s = 5", "cannot hold"),
    ],
)
def test_parts_that_do_not_go_together(extra: str, match: str) -> None:
    """What only shows when parts are seen together is refused as well."""
    with pytest.raises(DefinitionError, match=match):
        _load(ROLE + extra)


def test_a_recorder_without_streams_is_refused() -> None:
    """A recorder states what it writes."""
    text = ROLE.replace('streams = [{ format = "100MB/s" }]\n', "")

    with pytest.raises(DefinitionError, match="states what it writes or reads"):
        _load(text)


def test_a_role_given_twice_is_refused() -> None:
    """One name, one role."""
    with pytest.raises(DefinitionError, match="given twice"):
        _load(ROLE + ROLE.removeprefix("version = 1\n"))


def test_a_later_file_overrides_by_name() -> None:
    """A house's file changes a role of the same name and leaves the others."""
    text = ROLE.replace("Stage", "field-recorder")
    roles = load_roles(text, shipped_formats(), extends=shipped_roles())
    changed = roles.get("field-recorder")

    assert len(roles) == len(shipped_roles())
    assert changed is not None
    assert changed.headroom == 1.5
