"""What each condition weighs by default: severity by kind of role, delays and deadband; a role may differ.

Severities follow RFC 8632's definitions: critical is service-affecting and asks for action at once, major is
service-affecting and urgent, minor does not affect the service yet, warning is a potential or impending
fault. Delays and deadbands are common practice, no source; those of a role win. What is measured anew with
every probe or reading may come and go, and is one fault while it does: raised twice within thirty days, such
an alert stays until thirty days after the first time. What a person or a proof ends is over at once.
"""

from dataclasses import dataclass

from ebbmark_agent.evidence.roles import RoleKind

from ebbmark_collector.alerts.vocabulary import ConditionKind, Severity
from ebbmark_collector.roles import DriveRole

DAY_S = 86_400.0  # [s]
RETURNING_S = 30 * DAY_S  # [s] own: an outage a fortnight is one fault, and not a new one each time


@dataclass(frozen=True, kw_only=True, slots=True)
class Weight:
    """What one condition weighs.

    Attributes:
        recorder: Severity where a dip loses footage.
        working: Severity on a working drive.
        system: Severity on a system drive, or without a role.
        on_delay_s: How long it must be present before it is raised [s].
        off_delay_s: How long it must be absent before it is cleared [s].
        deadband: How far back past its limit the figure must come, as a share of the limit [1].
        returning_s: Raised twice within so long, it is not cleared until so long after the first time [s].
        enabled: Whether it is watched at all.
    """

    recorder: Severity
    working: Severity
    system: Severity
    on_delay_s: float = 0.0
    off_delay_s: float = DAY_S
    deadband: float = 0.0
    returning_s: float = 0.0
    enabled: bool = True

    def severity(self, kind: RoleKind | None) -> Severity:
        """Give the severity for a kind of role."""
        match kind:
            case RoleKind.RECORDER:
                return self.recorder
            case RoleKind.WORKING:
                return self.working
            case _:
                return self.system


_W, _MI, _MA, _C = Severity.WARNING, Severity.MINOR, Severity.MAJOR, Severity.CRITICAL


def _weight(
    recorder: Severity,
    working: Severity,
    system: Severity,
    *,
    on_days: float = 0.0,
    off_days: float = 1.0,
    deadband: float = 0.0,
    returns: bool = False,
) -> Weight:
    return Weight(
        recorder=recorder,
        working=working,
        system=system,
        on_delay_s=on_days * DAY_S,
        off_delay_s=off_days * DAY_S,
        deadband=deadband,
        returning_s=RETURNING_S if returns else 0.0,
    )


DEFAULTS: dict[ConditionKind, Weight] = {
    ConditionKind.FLOOR_UNDER_DEMAND: _weight(_C, _MA, _MI, off_days=0, deadband=0.02, returns=True),
    ConditionKind.MARGIN_THIN: _weight(_W, _W, _W, on_days=1, off_days=3, deadband=0.03, returns=True),
    ConditionKind.FLOOR_WILL_MEET_DEMAND: _weight(
        _MA, _MI, _W, on_days=1, off_days=21, deadband=0.5, returns=True
    ),
    ConditionKind.FLOOR_STEPPED_DOWN: _weight(_MA, _MI, _W, on_days=1, off_days=7, returns=True),
    ConditionKind.STALLS_BEYOND_BUFFER: _weight(_C, _MA, _MI, off_days=14, deadband=0.2, returns=True),
    ConditionKind.FRAMES_LOST: _weight(_C, _MA, _MI, off_days=0),
    ConditionKind.WORN_OUT: _weight(_MA, _MI, _MI, off_days=7),
    ConditionKind.WEAR_WILL_MEET_LIMIT: _weight(_MI, _W, _W, on_days=7, off_days=30, deadband=0.25),
    ConditionKind.SPARE_LOW: _weight(_MA, _MA, _MI, off_days=7),
    ConditionKind.SPARE_WILL_MEET_THRESHOLD: _weight(_MI, _W, _W, on_days=7, off_days=30, deadband=0.25),
    ConditionKind.MEDIA_ERRORS: _weight(_C, _MA, _MI, off_days=35),
    ConditionKind.SELF_ASSESSMENT_FAILED: _weight(_C, _C, _MA, off_days=1),
    ConditionKind.CRITICAL_WARNING: _weight(_MA, _MA, _MI, off_days=1),
    ConditionKind.READ_BACK_DIFFERS: _weight(_C, _C, _C, off_days=0),
    ConditionKind.WRITE_FAULT: _weight(_C, _MA, _MA, off_days=0),
    ConditionKind.HEALTH_COMMAND_FAILED: _weight(_W, _W, _W, on_days=3, off_days=1),
    ConditionKind.HEALTH_NOT_PERMITTED: _weight(_W, _W, _W, on_days=3, off_days=1),
    ConditionKind.LINK_BELOW_BEST: _weight(_MA, _MI, _W, off_days=1, returns=True),
    ConditionKind.INTERFACE_ERRORS: _weight(_MA, _MI, _W, off_days=14, returns=True),
    ConditionKind.TOO_HOT: _weight(_MI, _W, _W, on_days=1, off_days=3, deadband=0.05, returns=True),
    ConditionKind.NEARLY_FULL: _weight(_W, _W, _W, on_days=1, off_days=1, deadband=0.03, returns=True),
    ConditionKind.TRIM_STOPPED: _weight(_MA, _MI, _W, off_days=3, returns=True),
    ConditionKind.SLOWER_THAN_SIBLINGS: _weight(
        _W, _W, _W, on_days=7, off_days=7, deadband=0.15, returns=True
    ),
    ConditionKind.UNPROVEN: _weight(_W, _W, _W, on_days=14, off_days=0),
    ConditionKind.NO_RECENT_SOAK: _weight(_W, _W, _W, on_days=0, off_days=0),
    ConditionKind.NO_SAFE_MOMENT: _weight(_W, _W, _W, off_days=1),
    ConditionKind.SILENT_HOST: _weight(_MA, _MI, _MI, off_days=0, returns=True),
    ConditionKind.SILENT_DRIVE: _weight(_MA, _MI, _W, off_days=0),
    ConditionKind.EVIDENCE_AGING: _weight(_W, _W, _W, off_days=0),
    ConditionKind.UNKNOWN_DRIVE: _weight(_W, _W, _W, on_days=1, off_days=0),
    ConditionKind.DUPLICATE_IDENTITY: _weight(_MA, _MA, _MI, on_days=1, off_days=3),
}


def weight_of(kind: ConditionKind, role: DriveRole | None) -> tuple[Weight, Severity]:
    """Give a condition's weight and severity, with what the role changes about it.

    Raises:
        ValueError: The role names a severity that X.733 does not have.
    """
    weight = DEFAULTS[kind]
    severity = weight.severity(role.kind if role else None)
    rule = role.watch.conditions.get(kind.value) if role else None
    if rule is None:
        return weight, severity
    changed = Weight(
        recorder=weight.recorder,
        working=weight.working,
        system=weight.system,
        on_delay_s=weight.on_delay_s if rule.on_delay_s is None else rule.on_delay_s,
        off_delay_s=weight.off_delay_s if rule.off_delay_s is None else rule.off_delay_s,
        deadband=weight.deadband if rule.deadband is None else rule.deadband,
        returning_s=weight.returning_s,
        enabled=rule.enabled,
    )
    return changed, Severity(rule.severity) if rule.severity is not None else severity
