"""When a drive counts as failing and is therefore only read."""

from ebbmark_agent.report import Assessment, HealthReading

# Of the NVMe critical-warning bits (NVM Express Base Specification, SMART / Health Information log 02h) those
# that tell of the medium; a temperature warning passes and has a rule of its own.
_OF_THE_MEDIUM = {
    "spare_below_threshold": "its spare blocks are used up",
    "reliability_degraded": "it says that its reliability is degraded",
    "media_read_only": "it has turned read-only",
}


def failing_reason(reading: HealthReading | None) -> str | None:
    """Give why a drive counts as failing.

    Args:
        reading: Its last health reading, or None.

    Returns:
        The reason in a few words, or None if nothing tells of it.
    """
    if reading is None:
        return None
    if reading.assessment is Assessment.FAILED:
        return "its own assessment says so"
    for code in reading.critical_warnings:
        if code in _OF_THE_MEDIUM:
            return _OF_THE_MEDIUM[code]
    if reading.media_errors:
        return f"it counts {reading.media_errors} media errors"
    if reading.pending_sectors:
        return f"{reading.pending_sectors} of its sectors cannot be read"
    return None
