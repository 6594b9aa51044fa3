"""Gathers a reading's fields: the first place that gives a value is kept, and with it where that was."""

from typing import Any

from ebbmark_agent.report import Assessment, VendorValue

MAX_COUNTER = 2**63 - 1
_MAX_VENDOR_ROWS = 300
_MAX_NAME = 256


class Fields:
    """Values offered in order of trust; a later offer never overrules an earlier one."""

    def __init__(self) -> None:
        self.counters: dict[str, int] = {}
        self.temperatures: dict[str, float] = {}
        self.sources: dict[str, str] = {}
        self.warnings: list[str] = []
        self.vendor: list[VendorValue] = []
        self.assessment = Assessment.UNKNOWN

    def counter(self, name: str, value: int | None, source: str) -> None:
        """Offer a count, which is kept if it is the first and within what a report can carry."""
        if value is not None and name not in self.counters and 0 <= value <= MAX_COUNTER:
            self.counters[name] = value
            self.sources[name] = source

    def temperature(self, name: str, value: float | None, source: str) -> None:
        """Offer a temperature [°C]; what lies outside -60 to 200 is a drive's word for unknown."""
        if value is not None and name not in self.temperatures and -60 <= value <= 200:
            self.temperatures[name] = float(value)
            self.sources[name] = source

    def assess(self, *, passed: bool | None, source: str) -> None:
        """Offer the drive's own overall assessment."""
        if passed is not None and self.assessment is Assessment.UNKNOWN:
            self.assessment = Assessment.PASSED if passed else Assessment.FAILED
            self.sources["assessment"] = source

    def warn(self, code: str) -> None:
        """Note a warning the drive itself raises."""
        if code not in self.warnings:
            self.warnings.append(code)

    def pass_on(
        self,
        name: str,
        raw: object,
        *,
        number: int | None = None,
        normalised: int | None = None,
        worst: int | None = None,
        threshold: int | None = None,
    ) -> None:
        """Keep a vendor-defined or further value as it came, without a meaning of our own."""
        text, name = str(raw).strip()[:_MAX_NAME].strip(), name.strip()[:_MAX_NAME]
        if not text or not name or len(self.vendor) >= _MAX_VENDOR_ROWS:
            return
        self.vendor.append(
            VendorValue(
                name=name,
                raw=text,
                id=_countable(number),
                normalised=_countable(normalised),
                worst=_countable(worst),
                threshold=_countable(threshold),
            )
        )

    def values(self) -> dict[str, Any]:
        """Give the fields found, by the names they have in a reading."""
        return {**self.counters, **self.temperatures}

    def empty(self) -> bool:
        """Tell whether nothing about health was found."""
        return not (self.counters or self.temperatures or self.vendor) and (
            self.assessment is Assessment.UNKNOWN
        )


def _countable(value: int | None) -> int | None:
    return value if value is not None and 0 <= value <= MAX_COUNTER else None
