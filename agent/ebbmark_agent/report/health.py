"""What a drive says of itself, each value with the place it was read from."""

from enum import StrEnum

from pydantic import Field

from ebbmark_agent.report._base import Celsius, Code, Counter, Instant, Name, Sentence, WireModel


class HealthState(StrEnum):
    """How far the read of a drive's health got; each has its own sentence and remedy."""

    READ = "read"
    NO_SMART = "no_smart"
    NO_SMARTCTL = "no_smartctl"
    NO_PERMISSION = "no_permission"
    ASLEEP = "asleep"
    UNKNOWN_BRIDGE = "unknown_bridge"
    VANISHED = "vanished"
    COMMAND_FAILED = "command_failed"
    TIMED_OUT = "timed_out"


class Assessment(StrEnum):
    """The drive's own overall self-assessment."""

    PASSED = "passed"
    FAILED = "failed"
    UNKNOWN = "unknown"


class VendorValue(WireModel):
    """A vendor-defined or unknown value, passed on raw and marked as such."""

    name: Name
    raw: Name
    id: Counter | None = None
    normalised: Counter | None = None
    worst: Counter | None = None
    threshold: Counter | None = None


class HealthReading(WireModel):
    """One read of a drive's health. `None` means the drive did not say, never zero."""

    read_at: Instant
    state: HealthState
    sentence: Sentence
    assessment: Assessment = Assessment.UNKNOWN
    protocol: Code | None = None
    temperature_c: Celsius | None = None
    temperature_limit_c: Celsius | None = Field(
        default=None, description="[°C] the drive's own warning limit."
    )
    critical_temperature_limit_c: Celsius | None = None
    percentage_used: Counter | None = Field(default=None, description="[%] 255 means more than 254.")
    available_spare_percent: Counter | None = None
    available_spare_threshold_percent: Counter | None = None
    written_bytes: Counter | None = None
    read_bytes: Counter | None = None
    power_on_hours: Counter | None = None
    power_cycles: Counter | None = None
    unsafe_shutdowns: Counter | None = None
    media_errors: Counter | None = None
    error_log_entries: Counter | None = None
    reallocated_sectors: Counter | None = None
    pending_sectors: Counter | None = None
    uncorrectable_errors: Counter | None = None
    interface_crc_errors: Counter | None = None
    warning_temperature_minutes: Counter | None = None
    critical_temperature_minutes: Counter | None = None
    thermal_transitions: Counter | None = None
    critical_warnings: tuple[Code, ...] = Field(default=(), max_length=16)
    exit_status: Counter | None = Field(default=None, description="[1] smartctl's exit bits.")
    sources: dict[str, Name] = Field(default_factory=dict, description="Field name to where it was read.")
    vendor: tuple[VendorValue, ...] = Field(default=(), max_length=300)
