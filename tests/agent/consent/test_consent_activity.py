"""How long disks were left alone, and which drives count as failing."""

from datetime import UTC, datetime
from typing import Any

import pytest
from ebbmark_agent.consent import ActivityLog, Watched, failing_reason
from ebbmark_agent.report import Assessment, HealthReading, HealthState

FINE = HealthReading(
    read_at=datetime(2026, 3, 10, tzinfo=UTC),
    state=HealthState.READ,
    sentence="Read.",
    assessment=Assessment.PASSED,
    media_errors=0,
    available_spare_percent=0,
    available_spare_threshold_percent=0,
)


def test_the_span_slides() -> None:
    """What happened before the span is forgotten, and the watch covers at least the span."""
    log = ActivityLog(span_s=60)
    for second in range(0, 200, 5):
        log.read(second, {"one": 0 if second < 100 else 7_000})

    assert log.watched("one", at_s=195) == Watched(watched_s=60.0, moved_bytes=0)


def test_use_within_the_span_is_seen() -> None:
    """Bytes moved within the span are told, whenever in it they were."""
    log = ActivityLog(span_s=60)
    for second in range(0, 125, 5):
        log.read(second, {"one": 0 if second < 70 else 7_000})

    assert log.watched("one", at_s=120) == Watched(watched_s=60.0, moved_bytes=7_000)


def test_a_log_that_is_no_longer_kept_has_watched_nothing() -> None:
    """When the last reading is old, because the reader died, the disk does not count as watched."""
    log = ActivityLog(span_s=60)
    for second in range(0, 65, 5):
        log.read(second, {"one": 0})

    assert log.watched("one", at_s=75) == Watched(watched_s=60.0, moved_bytes=0)
    assert log.watched("one", at_s=76) == Watched(watched_s=0.0, moved_bytes=0)


@pytest.mark.parametrize(("gap_s", "watched_s"), [(15.0, 25.0), (16.0, 0.0)])
def test_a_gap_begins_the_watch_anew(gap_s: float, watched_s: float) -> None:
    """A machine that slept between two readings has not watched its disks."""
    log = ActivityLog(span_s=60)
    log.read(0, {"one": 1})
    log.read(10, {"one": 1})
    log.read(10 + gap_s, {"one": 1})

    assert log.watched("one", at_s=10 + gap_s).watched_s == watched_s


def test_a_disk_that_came_back_is_new() -> None:
    """A disk that went away, or whose counters began anew, is watched from the start."""
    log = ActivityLog(span_s=60)
    log.read(0, {"one": 100, "two": 100})
    log.read(5, {"two": 50})
    log.read(10, {"one": 100, "two": 50})

    assert log.watched("one", at_s=10) == Watched(watched_s=0.0, moved_bytes=0)
    assert log.watched("two", at_s=10) == Watched(watched_s=5.0, moved_bytes=0)
    assert log.watched("never seen", at_s=10) == Watched(watched_s=0.0, moved_bytes=0)


def test_an_own_probe_is_forgotten() -> None:
    """After an own probe its disk is watched from the start."""
    log = ActivityLog(span_s=60)
    log.read(0, {"one": 0})
    log.read(5, {"one": 10**9})
    log.forget("one")
    log.read(10, {"one": 10**9})

    assert log.watched("one", at_s=10) == Watched(watched_s=0.0, moved_bytes=0)


@pytest.mark.parametrize(
    "change",
    [
        {"assessment": Assessment.FAILED},
        {"critical_warnings": ("spare_below_threshold",)},
        {"critical_warnings": ("reliability_degraded",)},
        {"media_errors": 1},
        {"pending_sectors": 8},
    ],
)
def test_failing_drives(change: dict[str, Any]) -> None:
    """A failed assessment, a warning about the medium and media errors each make a drive failing."""
    assert failing_reason(FINE.model_copy(update=change)) is not None


@pytest.mark.parametrize(
    "change",
    [{}, {"critical_warnings": ("temperature",)}, {"percentage_used": 255}, {"state": HealthState.ASLEEP}],
)
def test_drives_that_are_not_failing(change: dict[str, Any]) -> None:
    """A hot drive, a worn one, spare zero with threshold zero and a silent one are not failing by that."""
    assert failing_reason(FINE.model_copy(update=change)) is None
    assert failing_reason(None) is None
