"""What the invented agents say: real documents, the same for the same seed, without any real name."""

import ast
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from ebbmark_agent.report import (
    MAX_REPORTS_A_REQUEST,
    HealthBody,
    InventoryBody,
    Orders,
    ProbeBody,
    ProbeKind,
    ProbeOutcome,
    Report,
    SubjectOrder,
)

import sample_fleet
from sample_fleet.diary.days import Arrival, Diary
from sample_fleet.studio.invent import SMALL, STUDIO, Presence, invent

HOME = Path(sample_fleet.__file__).parent


def told(seed: int, days: int, *, noise: float = 1.0) -> list[Arrival]:
    """Play some days of the small studio."""
    diary = Diary(invent(seed, SMALL), noise_factor=noise)
    return [arrival for _ in range(days) for arrival in diary.next_day()]


def test_the_same_seed_tells_the_same_story() -> None:
    """Two plays of a seed agree to the last byte; another seed differs."""
    first, again, other = told(5, 20), told(5, 20), told(6, 20)

    assert first == again
    assert first != other


def test_noise_changes_the_probes_and_not_what_happens() -> None:
    """With doubled noise health and inventory are word for word the same."""
    calm, noisy = told(5, 20), told(5, 20, noise=2.0)

    def beside_probes(arrivals: list[Arrival]) -> list[Report]:
        return [a.report for a in arrivals if not isinstance(a.report.body, ProbeBody)]

    assert beside_probes(calm) == beside_probes(noisy)
    assert calm != noisy


def test_every_document_is_one_the_wire_knows() -> None:
    """Written as JSON and read again by the wire's own models, each report is itself."""
    for arrival in told(7, 25):
        assert Report.model_validate_json(arrival.report.model_dump_json()) == arrival.report


def test_report_ids_and_sequences_never_repeat() -> None:
    """Each id is said once, and each host counts upward."""
    arrivals = told(7, 40)
    ids = [a.report.report_id for a in arrivals]
    by_host: dict[str, list[int]] = {}
    for arrival in arrivals:
        by_host.setdefault(arrival.report.host_id, []).append(arrival.report.sequence)

    assert len(ids) == len(set(ids))
    assert all(numbers == sorted(numbers) for numbers in by_host.values())


def test_a_spot_s_trace_stays_small_and_agrees_with_its_bytes() -> None:
    """A spot has at most 256 points, and its steps add up to what it wrote."""
    results = [a.report.body.result for a in told(9, 30) if isinstance(a.report.body, ProbeBody)]
    spots = [r for r in results if r.kind is ProbeKind.SPOT]

    assert spots
    assert all(len(r.trace[0].step_us) <= 256 for r in spots)
    assert all(sum(r.trace[0].step_bytes) == r.bytes_written for r in results)


def test_some_probes_give_way_and_some_hosts_fall_silent() -> None:
    """Within two months the story has both, and silent days are told later or never."""
    arrivals = told(11, 60)
    outcomes = {a.report.body.result.outcome for a in arrivals if isinstance(a.report.body, ProbeBody)}

    assert outcomes == {ProbeOutcome.COMPLETED, ProbeOutcome.GAVE_WAY}
    assert any((a.received_at - a.report.made_at).days >= 1 for a in arrivals)


def test_cards_are_only_seen_and_never_written_to() -> None:
    """A card shows up in inventories under its reader's serial, and in nothing else."""
    cards = {d.nature.key for d in invent(4, SMALL).drives if not d.own_identity}
    for arrival in told(4, 60):
        body = arrival.report.body
        if isinstance(body, ProbeBody | HealthBody):
            assert body.subject.ref not in cards
        elif isinstance(body, InventoryBody):
            assert all(not d.identity.names() for d in body.drives if d.ref in cards)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_studio_has_about_forty_hosts_and_two_hundred_drives(seed: int) -> None:
    """The size the score is made for, with no serial or tag given twice."""
    studio = invent(seed, STUDIO)

    assert len(studio.hosts) == 40
    assert 170 <= len(studio.drives) <= 220
    assert len({d.serial for d in studio.drives}) == len(studio.drives)
    assert len({d.asset_tag for d in studio.drives}) == len(studio.drives)
    assert sum(d.presence is Presence.FIXED for d in studio.drives) >= 60


def test_a_day_of_one_host_fits_a_request() -> None:
    """No host has more to say in a day than one request may carry."""
    per_host_day: dict[tuple[str, int], int] = {}
    for arrival in told(2, 30):
        key = (arrival.report.host_id, arrival.received_at.toordinal())
        per_host_day[key] = per_host_day.get(key, 0) + 1

    assert max(per_host_day.values()) <= MAX_REPORTS_A_REQUEST


def soaked_on(diary: Diary, days: int) -> dict[str, list[int]]:
    """Play on, and give on which of those days each fixed drive was soaked."""
    fixed = {d.nature.key for d in diary.studio.drives if d.presence is Presence.FIXED and not d.seen_days}
    found: dict[str, list[int]] = {}
    for day in range(days):
        for arrival in diary.next_day():
            body = arrival.report.body
            soaked = isinstance(body, ProbeBody) and body.result.kind is ProbeKind.SOAK
            if soaked and body.subject.ref in fixed:
                found.setdefault(body.subject.ref, []).append(day)
    return found


def test_agents_soak_as_often_as_they_are_ordered_to() -> None:
    """A volume whose order asks for a soak a week gets one; the others keep to their role's cadence."""
    studio = replace(invent(5, SMALL), hosts=tuple(replace(h, offline=()) for h in invent(5, SMALL).hosts))
    diary = Diary(studio)
    hurried = next(d for d in studio.drives if not d.seen_days)
    order = SubjectOrder(
        volume_id=f"vol-{hurried.asset_tag}", role=hurried.role.name, recorder=True, soak_every_s=7 * 86_400.0
    )
    at = datetime(2025, 1, 6, tzinfo=UTC)
    host = hurried.hosts[0]
    diary.follow(Orders(host_id=host, issued_at=at, valid_until=at + timedelta(days=1), subjects=(order,)))
    soaked = soaked_on(diary, 40)

    assert {b - a for a, b in pairwise(soaked.pop(hurried.nature.key))} == {7}
    between = [b - a for days in soaked.values() for a, b in pairwise(days)]
    assert between
    assert min(between) >= 30


def test_agents_write_no_more_than_their_role_lets_probes_wear() -> None:
    """Ordered to soak far more often than its endurance bears, a drive is soaked until its year is spent."""
    studio = replace(invent(5, SMALL), hosts=tuple(replace(h, offline=()) for h in invent(5, SMALL).hosts))
    diary = Diary(studio)
    flash = [d for d in studio.drives if not d.seen_days and d.nature.build.endurance_bytes]
    at = datetime(2025, 1, 6, tzinfo=UTC)
    for drive in flash:
        order = SubjectOrder(
            volume_id=f"vol-{drive.asset_tag}", role=drive.role.name, recorder=True, soak_every_s=86_400.0
        )
        until = at + timedelta(days=1)
        diary.follow(Orders(host_id=drive.hosts[0], issued_at=at, valid_until=until, subjects=(order,)))
    written = {drive.nature.key: [0] for drive in flash}
    for _ in range(100):
        for arrival in diary.next_day():
            body = arrival.report.body
            if isinstance(body, ProbeBody) and body.subject.ref in written:
                written[body.subject.ref].append(body.result.bytes_written)

    for drive in flash:
        allowed = (drive.nature.build.endurance_bytes or 0.0) * drive.role.wear_share_a_year
        assert sum(written[drive.nature.key]) <= allowed * 1.001
    assert any(len(days) < 100 for days in written.values())


@pytest.mark.parametrize("part", ["physics", "studio", "diary"])
def test_physics_and_story_import_nothing_of_the_judge(part: str) -> None:
    """Of the two products only the wire vocabulary is known to the physics and the story."""
    allowed = ("ebbmark_agent.report",)
    for path in (HOME / part).glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            for name in names:
                assert not name.startswith("ebbmark") or name.startswith(allowed), f"{path.name}: {name}"
