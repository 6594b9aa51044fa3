"""What the operator sets: one TOML file, then the environment; every fault is told at once, by its key."""

import os
import tomllib
from collections.abc import Mapping
from datetime import time
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import available_timezones

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from ebbmark_collector.errors import ConfigurationError

ENVIRONMENT_PREFIX = "EBBMARK_COLLECTOR_"
Days = Annotated[int, Field(ge=1, le=36_500)]


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class ServeSettings(_Section):
    """How the collector listens."""

    listen: str = Field(default="127.0.0.1:8460", description="HOST:PORT.")
    plain_http_beyond_loopback: bool = Field(
        default=False, description="Say yes only where a proxy or a closed network does what TLS would."
    )
    trusted_proxy: str | None = Field(
        default=None, description="Address of the one proxy whose X-Forwarded-For is believed."
    )
    tls_certificate_file: Path | None = Field(
        default=None, description="PEM, the chain after it: answer https without a proxy. Goes with the key."
    )
    tls_key_file: Path | None = Field(default=None, description="PEM, PKCS#8, without a password.")
    tls_threads: int = Field(default=64, ge=4, le=512, description="Requests at a time with TLS.")
    threads: int = Field(
        default=16, ge=1, le=64, description="Requests at a time; more of them share one sync of the disk."
    )
    most_waiting: int = Field(
        default=64,
        ge=1,
        le=10_000,
        description="Requests; agents are told to come later beyond that and what a second takes in.",
    )
    max_body_bytes: int = Field(default=8_000_000, ge=10_000, le=100_000_000)
    stalled_body_s: int = Field(default=30, ge=1, le=600)
    stop_within_s: int = Field(
        default=20, ge=1, le=600, description="Given to requests in flight at the end."
    )
    requests_a_minute: int = Field(default=6_000, ge=10, description="For one token.")
    wrong_tokens_a_minute: int = Field(default=60, ge=1, description="For one address.")


class StoreSettings(_Section):
    """Where reports are kept."""

    postgresql: str | None = Field(
        default=None, description="A connection string; without one, one SQLite file in the data folder."
    )
    pool: int = Field(default=8, ge=1, le=200)


class HouseSettings(_Section):
    """What the house adds to what comes with the collector."""

    formats_file: Path | None = Field(
        default=None, description="The house's recording formats: beside the shipped ones, or in their place."
    )


class RetentionSettings(_Section):
    """How long what is kept. Soaks, findings and the evidence of open alerts are kept for good."""

    health_days: Days = 30
    spot_trace_days: Days = 90
    spot_figures_days: Days = Field(
        default=200,
        ge=181,
        description="Then a spot is a point of its drive's floor series; the judge looks 180 days back.",
    )
    take_days: Days = 365


class _TargetSettings(_Section):
    """Who is told, of what, and when."""

    name: str = Field(min_length=1, max_length=64)
    least: Literal["warning", "minor", "major", "critical"] = "warning"
    roles: tuple[str, ...] = Field(default=(), max_length=100, description="Of these only; empty: of all.")
    digest_below: Literal["warning", "minor", "major", "critical", "none"] = "minor"
    digest_at: time = time(8, 0)
    quiet_from: time | None = Field(default=None, description="Holds back what is not critical.")
    quiet_until: time | None = None
    zone: str = Field(default="UTC", description="For the times above, as in Europe/Oslo.")

    @model_validator(mode="after")
    def _known_zone(self) -> "_TargetSettings":
        if self.zone not in available_timezones():
            raise ValueError(f"zone: {self.zone} is not a time zone, as in Europe/Oslo")
        if (self.quiet_from is None) is not (self.quiet_until is None):
            raise ValueError("quiet_from and quiet_until go together")
        return self


class WebhookSettings(_TargetSettings):
    """A signed webhook."""

    url: str = Field(min_length=8, max_length=2000)
    secret_file: Path = Field(description="Holds `whsec_...`, which never stands in this file.")
    allowed_hosts: tuple[str, ...] = Field(
        default=(), max_length=50, description="Hosts inside the house it may go to."
    )
    ca_file: Path | None = None


class MailSettings(_TargetSettings):
    """Alerts by mail."""

    server: str
    port: int = Field(default=587, ge=1, le=65_535)
    starttls: bool = True
    sender: str
    recipients: tuple[str, ...] = Field(min_length=1, max_length=50)
    user: str | None = None
    password_file: Path | None = None
    ca_file: Path | None = None


class AppriseSettings(_TargetSettings):
    """Alerts by what the extra `apprise` reaches."""

    urls_file: Path = Field(
        description="One URL a line; URLs hold secrets, so they do not stand in this file."
    )


class NotifySettings(_Section):
    """Who is told of alerts."""

    source: str = Field(default="urn:ebbmark:collector", description="This collector's own address.")
    link: str | None = Field(
        default=None, description="Put before links in texts; without it there are none."
    )
    webhooks: tuple[WebhookSettings, ...] = Field(default=(), max_length=20)
    mails: tuple[MailSettings, ...] = Field(default=(), max_length=20)
    apprise: tuple[AppriseSettings, ...] = Field(default=(), max_length=20)


class Settings(_Section):
    """Everything the operator sets."""

    serve: ServeSettings = ServeSettings()
    store: StoreSettings = StoreSettings()
    house: HouseSettings = HouseSettings()
    retention: RetentionSettings = RetentionSettings()
    notify: NotifySettings = NotifySettings()


def _set_by_environment(environ: Mapping[str, str]) -> dict[str, dict[str, str]]:
    """Give `EBBMARK_COLLECTOR_SERVE__LISTEN=...` as section and key."""
    found: dict[str, dict[str, str]] = {}
    for name, value in environ.items():
        if name.startswith(ENVIRONMENT_PREFIX) and "__" in name:
            section, key = name[len(ENVIRONMENT_PREFIX) :].lower().split("__", 1)
            found.setdefault(section, {})[key] = value
    return found


def load(path: Path | None, environ: Mapping[str, str] | None = None) -> Settings:
    """Read the settings in force.

    Args:
        path: The TOML file, or None for the defaults.
        environ: The environment; the process's own unless given. It wins over the file.

    Raises:
        ConfigurationError: With every fault found.
    """
    values: dict[str, Any] = {}
    if path is not None:
        try:
            values = tomllib.loads(path.read_text(encoding="utf-8"))
        except OSError as error:
            raise ConfigurationError([f"{path} cannot be read: {error.strerror}."]) from error
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise ConfigurationError([f"{path} is not TOML: {error}."]) from error
    for section, keys in _set_by_environment(os.environ if environ is None else environ).items():
        part = values.setdefault(section, {})
        if isinstance(part, dict):
            part.update(keys)
    try:
        return Settings.model_validate(values)
    except ValidationError as error:
        faults = [
            f"{'.'.join(str(part) for part in fault['loc'])}: {fault['msg']}"
            for fault in error.errors(include_url=False, include_context=False, include_input=False)
        ]
        raise ConfigurationError(faults) from error
