"""Which rule hands a subject its role."""

import pytest
from ebbmark_collector.roles import AssignmentRule, Candidate, DriveRole, MatchedBy, Watch, assigned_by
from pydantic import TypeAdapter, ValidationError

from tests.collector.judge.past import a_role

RULES = [
    AssignmentRule(matched_by=MatchedBy.HOST, pattern="cart-*", role_name="by host"),
    AssignmentRule(matched_by=MatchedBy.MODEL, pattern="fjell*", role_name="by model"),
    AssignmentRule(matched_by=MatchedBy.MOUNT, pattern="/media/record", role_name="by mount"),
    AssignmentRule(matched_by=MatchedBy.ASSET_TAG, pattern="LANE-0?", role_name="by tag"),
    AssignmentRule(matched_by=MatchedBy.SERIAL, pattern="s123", role_name="by serial"),
]
ALL = {
    "serials": ("S123",),
    "asset_tag": "lane-07",
    "mounts": ("/media/record",),
    "model": "Fjell Q2",
    "host": "cart-2",
}


@pytest.mark.parametrize(
    ("without", "role_name"),
    [
        ((), "by serial"),
        (("serials",), "by tag"),
        (("serials", "asset_tag"), "by mount"),
        (("serials", "asset_tag", "mounts"), "by model"),
        (("serials", "asset_tag", "mounts", "model"), "by host"),
    ],
)
def test_the_most_particular_rule_wins(without: tuple[str, ...], role_name: str) -> None:
    """Serial before asset tag, mount, model and host, whatever the list."""
    known = {k: v for k, v in ALL.items() if k not in without}

    found = assigned_by(RULES, Candidate(**known))  # type: ignore[arg-type]

    assert found is not None
    assert found.role_name == role_name


def test_a_mount_says_nothing_of_media_that_come_and_go() -> None:
    """The next card at the same mount point is another card."""
    assert assigned_by(RULES, Candidate(mounts=("/media/record",), fixed=False)) is None


def test_the_first_written_of_equals_wins() -> None:
    """Two patterns of one kind that both match: the order of the list decides."""
    rules = [
        AssignmentRule(matched_by=MatchedBy.HOST, pattern="edit-*", role_name="first"),
        AssignmentRule(matched_by=MatchedBy.HOST, pattern="edit-3", role_name="second"),
    ]

    found = assigned_by(rules, Candidate(host="edit-3"))

    assert found is not None
    assert found.role_name == "first"


def test_a_plain_name_written_first_wins_over_a_pattern() -> None:
    """A name that is looked up and a pattern that is compared keep their order, too."""
    rules = [
        AssignmentRule(matched_by=MatchedBy.HOST, pattern="Edit-3", role_name="first"),
        AssignmentRule(matched_by=MatchedBy.HOST, pattern="edit-*", role_name="second"),
    ]

    by_name, by_pattern = (assigned_by(rules, Candidate(host=host)) for host in ("edit-3", "EDIT-4"))

    assert by_name is not None
    assert by_pattern is not None
    assert (by_name.role_name, by_pattern.role_name) == ("first", "second")


def test_nothing_matches_nothing() -> None:
    """A subject without names gets no role."""
    assert assigned_by(RULES, Candidate()) is None


def test_a_role_in_force_knows_its_demand() -> None:
    """200 MB/s with a headroom of 1.2 ask 240."""
    role: DriveRole = a_role()

    assert role.demand is not None
    assert role.demand.demand_bytes_per_s == pytest.approx(240e6)


@pytest.mark.parametrize(
    "watch",
    [
        {"horizon_days": float("inf")},
        {"horizon_days": -1.0},
        {"silent_after_s": 0.0},
        {"conditions": {"floor_under_demand": {"on_delay_s": float("nan")}}},
        {"conditions": {"floor_under_demand": {"deadband": 2.0}}},
    ],
    ids=str,
)
def test_a_watch_no_date_can_be_reckoned_with_is_refused(watch: dict[str, object]) -> None:
    """An infinite horizon or a delay that is no number would keep the role's drives from being judged."""
    with pytest.raises(ValidationError):
        TypeAdapter(Watch).validate_python(watch)
