"""What the machine's owner has set: one TOML file, overlaid by the environment, checked as a whole.

The owner's limits are the outermost: orders from the collector can ask for less, never for more. Nothing is
written to any drive until `limits.writes_allowed` is set. Secrets are not settings: the agent's token lies in
a file of its own. Reading the file is all the I/O there is here.
"""

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import platformdirs
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from ebbmark_agent.errors import SettingsError, SettingsMissingError
from ebbmark_agent.report import ProbeHours

ENVIRONMENT_PREFIX = "EBBMARK_"
SETTINGS_VARIABLE = "EBBMARK_SETTINGS"
# Variables of ours that are no settings of the agent: its own two, and those of the admins' client.
NOT_SETTINGS = frozenset(
    {SETTINGS_VARIABLE, "EBBMARK_TOKEN", "EBBMARK_ADDRESS", "EBBMARK_TOKEN_FILE", "EBBMARK_CA_FILE"}
)
_OF_THE_COLLECTOR = re.compile(r"^EBBMARK_COLLECTOR_[A-Z0-9]+__")
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

_SPAN = re.compile(r"^(?:(?P<days>[a-z,-]+) )?(?P<from>\d\d:\d\d)-(?P<until>\d\d:\d\d)$")

Bytes = Annotated[int, Field(ge=0)]
PositiveSeconds = Annotated[float, Field(gt=0)]
Share = Annotated[float, Field(ge=0, le=1)]


class _Section(BaseModel):
    """A table of the settings file: frozen, and an unknown key is a fault."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class CollectorSettings(_Section):
    """Where reports go."""

    url: str | None = Field(default=None, description="The collector's address, such as https://host:8443.")
    ca_file: Path | None = Field(default=None, description="CA certificates that sign the collector's.")
    allow_plain_http: bool = Field(default=False, description="Send over plain http beyond this machine.")
    token_file: Path | None = Field(default=None, description="The agent's token; else state_dir/token.")

    @field_validator("url")
    @classmethod
    def _an_address(cls, url: str | None) -> str | None:
        if url is not None and not re.match(r"^https?://[^/\s]+", url):
            raise ValueError("must begin with https:// (or http://) and name a host")
        return url.rstrip("/") if url else None


class LimitSettings(_Section):
    """What may be done to this machine's drives, and when. Orders never widen any of it."""

    writes_allowed: bool = Field(default=False, description="Whether automatic probes may write at all.")
    probe_hours: tuple[str, ...] = Field(
        default=("01:00-06:00",),
        description="Local spans in which probes may run, as in 'mon-fri 22:00-06:00'.",
    )
    capture_processes: tuple[str, ...] = Field(
        default=(), description="Names of programs that mean capture while they run."
    )
    quiet_s: PositiveSeconds = Field(
        default=60.0, description="[s] how long disks must have been untouched by others before a probe."
    )
    system_foreign_bytes_per_s: Bytes = Field(
        default=1_000_000, description="[bytes/s] foreign I/O still called quiet on system and edit disks."
    )
    min_free_bytes: Bytes = Field(default=20_000_000_000, description="[bytes] left free after a probe.")
    min_free_share: Share = Field(default=0.1, description="[1] of the volume left free after a probe.")
    max_temperature_c: float = Field(
        default=55.0, ge=0, le=100, description="[C] at or above this no probe starts."
    )
    allow_unknown_temperature: bool = Field(
        default=False, description="Probe drives that do not tell their temperature."
    )
    require_mains: bool = Field(default=True, description="Never probe on battery.")
    wear_share_a_year: Share = Field(
        default=0.01, description="[1] of rated endurance that probing may spend in 365 days."
    )
    unrated_bytes_a_day: Bytes = Field(
        default=4_000_000_000, description="[bytes/day] where no rated endurance is known."
    )
    card_writes_a_year: Annotated[float, Field(ge=0, le=100)] = Field(
        default=4.0, description="[1] whole-medium writes in 365 days that a person may ask of a card."
    )
    rest_after_probe_s: PositiveSeconds = Field(
        default=3600.0, description="[s] a drive is left to tidy up after a probe before the next."
    )
    contact_lost_s: PositiveSeconds = Field(
        default=3600.0, description="[s] without the collector after which a show host stays quiet."
    )

    @field_validator("probe_hours")
    @classmethod
    def _spans(cls, spans: tuple[str, ...]) -> tuple[str, ...]:
        for span in spans:
            parse_probe_hours(span)
        return spans

    def hours(self) -> tuple[ProbeHours, ...]:
        """Give the probe hours in the form that orders use too."""
        return tuple(parse_probe_hours(span) for span in self.probe_hours)


class PrivacySettings(_Section):
    """What may leave the machine besides figures; all of it off unless switched on."""

    send_labels: bool = Field(default=False, description="Volume labels, which often carry a title.")
    send_paths: bool = Field(default=False, description="Mount points.")
    send_process_names: bool = Field(default=False, description="Names of programs that mean capture.")


class HouseSettings(_Section):
    """What the house adds to what the program knows."""

    formats_file: Path | None = Field(
        default=None, description="The house's recording formats: beside the shipped ones, or in their place."
    )


class SpoolSettings(_Section):
    """How much may wait on disk for the collector."""

    max_reports: Annotated[int, Field(ge=100)] = Field(default=50_000, description="[1] reports.")
    max_bytes: Annotated[int, Field(ge=1_000_000)] = Field(default=256_000_000, description="[bytes]")


class HealthSettings(_Section):
    """How health is read."""

    smartctl_path: Path | None = Field(default=None, description="The smartctl program, if not on PATH.")
    timeout_s: PositiveSeconds = Field(default=30.0, description="[s] after which a read is given up.")


class LogSettings(_Section):
    """What is logged to standard error."""

    level: Literal["debug", "info", "warning", "error"] = Field(default="info", description="Least level.")
    json_lines: bool = Field(default=False, description="One JSON object a line.")


class Settings(_Section):
    """All settings of one agent."""

    state_dir: Path = Field(
        default_factory=lambda: Path(platformdirs.site_state_dir("ebbmark-agent", appauthor=False)),
        description="The agent's own folder: spool, ledger, token, switches.",
    )
    collector: CollectorSettings = CollectorSettings()
    limits: LimitSettings = LimitSettings()
    privacy: PrivacySettings = PrivacySettings()
    house: HouseSettings = HouseSettings()
    spool: SpoolSettings = SpoolSettings()
    health: HealthSettings = HealthSettings()
    log: LogSettings = LogSettings()

    @model_validator(mode="after")
    def _absolute(self) -> Self:
        if not self.state_dir.is_absolute():
            raise ValueError("state_dir must be an absolute path")
        return self

    @property
    def token_path(self) -> Path:
        """The file that holds the agent's token."""
        return self.collector.token_file or self.state_dir / "token"

    @property
    def database_path(self) -> Path:
        """The file that holds the spool and the agent's memory."""
        return self.state_dir / "agent.db"


def parse_probe_hours(span: str) -> ProbeHours:
    """Read a span such as `01:00-06:00` or `mon-fri 22:00-06:00` or `sat,sun 00:00-24:00`.

    Args:
        span: Local times of day; an end before the start wraps past midnight, and the days name its start.

    Returns:
        The span in minutes of the local day.

    Raises:
        ValueError: The span is not of that form.
    """
    found = _SPAN.match(span.strip().lower())
    if found is None:
        raise ValueError(f"'{span}' is not a span like '01:00-06:00' or 'mon-fri 22:00-06:00'")
    begin, end = _minute(found["from"], span), _minute(found["until"], span)
    if begin == end:
        raise ValueError(f"'{span}' is empty; the whole day is 00:00-24:00")
    return ProbeHours(from_minute=begin, until_minute=end, weekdays=_days(found["days"], span))


def _minute(text: str, span: str) -> int:
    hour, minute = (int(part) for part in text.split(":"))
    if hour * 60 + minute > 24 * 60 or minute > 59:
        raise ValueError(f"'{span}': {text} is no time of day")
    return hour * 60 + minute


def _days(text: str | None, span: str) -> tuple[int, ...]:
    if text is None:
        return tuple(range(7))
    days: set[int] = set()
    for part in text.split(","):
        first, _, last = part.partition("-")
        if first not in WEEKDAYS or (last or first) not in WEEKDAYS:
            raise ValueError(f"'{span}': days are {', '.join(WEEKDAYS)}")
        begin, end = WEEKDAYS.index(first), WEEKDAYS.index(last or first)
        days.update(day % 7 for day in range(begin, end + 1 if end >= begin else end + 8))
    return tuple(sorted(days))


def load_settings(*, path: Path | None, environment: Mapping[str, str]) -> Settings:
    """Read the settings from a file and the environment.

    Args:
        path: The TOML file; None looks in the usual places, and without one the defaults hold.
        environment: The process environment; `EBBMARK_LIMITS_WRITES_ALLOWED=true` sets
            `limits.writes_allowed`, lists are written as in TOML. `STATE_DIRECTORY` (set by systemd)
            gives the default of `state_dir`.

    Returns:
        The checked settings.

    Raises:
        SettingsMissingError: The named file cannot be read.
        SettingsError: Something in it is wrong; every fault is told.
    """
    found = path or find_settings(environment)
    document = _read(found) if found else {}
    faults: list[str] = []
    if "state_dir" not in document and environment.get("STATE_DIRECTORY"):
        document["state_dir"] = environment["STATE_DIRECTORY"].split(":", maxsplit=1)[0]
    _overlay(document, environment, faults)
    source = str(found) if found else "The environment"
    try:
        settings = Settings.model_validate(document)
    except ValidationError as error:
        faults.extend(_sentence(detail["loc"], detail["msg"], detail["type"]) for detail in error.errors())
        raise SettingsError(source=source, faults=tuple(faults)) from error
    if faults:
        raise SettingsError(source=source, faults=tuple(faults))
    return settings


def find_settings(environment: Mapping[str, str]) -> Path | None:
    """Give the settings file that is in force, or None where there is none.

    Args:
        environment: The process environment; `EBBMARK_SETTINGS` names a file.
    """
    if named := environment.get(SETTINGS_VARIABLE):
        return Path(named)
    usual = (
        Path("/etc/ebbmark/agent.toml"),
        Path(platformdirs.site_config_dir("ebbmark-agent", appauthor=False)) / "agent.toml",
    )
    return next((path for path in usual if path.is_file()), None)


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise SettingsMissingError(path=str(path), reason=error.strerror or str(error)) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(source=str(path), faults=(f"not TOML: {error}",)) from error


def _overlay(document: dict[str, Any], environment: Mapping[str, str], faults: list[str]) -> None:
    known = {ENVIRONMENT_PREFIX + "_".join(keys).upper(): keys for keys in setting_keys()}
    for name, text in sorted(environment.items()):
        if not name.startswith(ENVIRONMENT_PREFIX) or name in NOT_SETTINGS or _OF_THE_COLLECTOR.match(name):
            continue
        keys = known.get(name)
        if keys is None:
            faults.append(f"{name}: no such setting (environment)")
            continue
        table = document
        for key in keys[:-1]:
            table = table.setdefault(key, {})
            if not isinstance(table, dict):
                break
        else:
            table[keys[-1]] = _value(text)


def _value(text: str) -> Any:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def setting_keys() -> tuple[tuple[str, ...], ...]:
    """Give every setting's key path, such as `("limits", "quiet_s")`."""
    keys: list[tuple[str, ...]] = []
    for name, field in Settings.model_fields.items():
        section = field.annotation
        if isinstance(section, type) and issubclass(section, _Section):
            keys.extend((name, inner) for inner in section.model_fields)
        else:
            keys.append((name,))
    return tuple(keys)


def _sentence(location: tuple[int | str, ...], message: str, kind: str) -> str:
    key = ".".join(str(part) for part in location) or "settings"
    if kind == "extra_forbidden":
        return f"{key}: no such setting"
    return f"{key}: {message.removeprefix('Value error, ')}"
