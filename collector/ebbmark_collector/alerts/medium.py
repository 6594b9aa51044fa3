"""Conditions of the medium itself: what the drive says of its health, what a probe caught it at, its wear."""

from datetime import timedelta

from ebbmark_agent.report import Assessment, HealthState

from ebbmark_collector.alerts.scene import Look, Scene, Seen, deadband_of
from ebbmark_collector.alerts.vocabulary import ConditionKind as Kind
from ebbmark_collector.alerts.vocabulary import Sight
from ebbmark_collector.judge.causes import growth_over
from ebbmark_collector.judge.findings import CauseKind, Ground, Limit

RECENT = timedelta(days=35)
GROWING = 2  # [1] new ones within five weeks: not one event any more but a course
RECOVER = "Stop using it, keep it for recovery: copy off what is on it and have it replaced."
WARNING_WORDS = {
    "spare_below_threshold": "its spare space has fallen below the drive's own threshold",
    "temperature_above_or_below_threshold": "its temperature is past the drive's own threshold",
    "reliability_degraded": "it says that its reliability is degraded by media or internal errors",
    "media_read_only": "it has put all its media into read-only mode",
    "volatile_memory_backup_failed": "the backup of its volatile memory has failed",
    "persistent_memory_region_unreliable": "its persistent memory region is read-only or unreliable",
}
_MILD_WARNINGS = frozenset({"temperature_above_or_below_threshold", "spare_below_threshold"})
_CAUSES = {
    "spare_below_threshold": CauseKind.WORN,
    "temperature_above_or_below_threshold": CauseKind.TOO_HOT,
}
_ERRORS = {
    "media_errors": "media errors",
    "uncorrectable_errors": "uncorrectable errors",
    "pending_sectors": "pending sectors",
}


def media_errors(scene: Scene) -> tuple[Seen, ...]:
    """Unrecovered errors: the first counts at once, growth counts more."""
    last = scene.history.last_health
    if last is None:
        return (Seen(kind=Kind.MEDIA_ERRORS, sight=Sight.UNSEEN),)
    counts = {words: getattr(last, name) or 0 for name, words in _ERRORS.items()}
    grown = {words: growth_over(scene.history, name, scene.now, RECENT) for name, words in _ERRORS.items()}
    total, risen = sum(counts.values()), sum(grown.values())
    told = ", ".join(f"{n} {words}" for words, n in counts.items() if n)
    return (
        Seen(
            kind=Kind.MEDIA_ERRORS,
            sight=Sight.PRESENT if total else Sight.ABSENT,
            what=told,
            predicts_lost_frames=risen >= GROWING,
            value=float(total),
            limit=1.0,
            unit="1",
            since=min((at for name, at in scene.outlook.wear.firsts if name in _ERRORS), default=None),
            act_by=scene.now if risen >= GROWING else None,
            why=tuple(f"{n} of the {words} are new within five weeks." for words, n in grown.items() if n),
            milder=0 if risen >= GROWING else 1,
            cause=CauseKind.FAILING_MEDIA,
            next_step="Copy off what is on it, take it out of service and have it replaced.",
            because="The drive counts none any more.",
        ),
    )


def self_assessment_failed(scene: Scene) -> tuple[Seen, ...]:
    """The drive itself says that it fails."""
    last = scene.history.last_health
    kind = Kind.SELF_ASSESSMENT_FAILED
    if last is None or last.assessment is Assessment.UNKNOWN:
        return (Seen(kind=kind, sight=Sight.UNSEEN),)
    failed = last.assessment is Assessment.FAILED
    return (
        Seen(
            kind=kind,
            sight=Sight.PRESENT if failed else Sight.ABSENT,
            what="its own self-assessment says it fails",
            predicts_lost_frames=True,
            since=last.at,
            act_by=last.at,
            why=(last.sentence,) if last.sentence else (),
            cause=CauseKind.FAILING_MEDIA,
            next_step=RECOVER,
            because="Its self-assessment passes again.",
        ),
    )


def critical_warnings(scene: Scene) -> tuple[Seen, ...]:
    """Each critical-warning bit that is set, in words; one alert for each."""
    last = scene.history.last_health
    seen = []
    for code, words in WARNING_WORDS.items():
        set_now = last is not None and code in last.critical_warnings
        seen.append(
            Seen(
                kind=Kind.CRITICAL_WARNING,
                qualifier=code,
                sight=Sight.UNSEEN if last is None else Sight.PRESENT if set_now else Sight.ABSENT,
                what=words,
                predicts_lost_frames=code not in _MILD_WARNINGS,
                since=last.at if last else None,
                milder=1 if code in _MILD_WARNINGS else 0,
                cause=_CAUSES.get(code, CauseKind.FAILING_MEDIA),
                next_step="Give it air." if code.startswith("temperature") else RECOVER,
                because="The drive has taken the warning back.",
            )
        )
    return tuple(seen)


def read_back_differs(scene: Scene) -> tuple[Seen, ...]:
    """What was read back is not what was written."""
    standing = scene.standing
    # Without a role there is no standing to clear it, so any wrong read-back counts.
    bad = [p for p in scene.history.faulty if p.read_back_ok is False and p.at <= scene.now]
    good = [p for p in scene.history.soaks if p.read_back_ok is True and p.at <= scene.now]
    open_ = bool(bad) and (standing.rests_on(Ground.READ_BACK) or not good or good[-1].at < bad[-1].at)
    return (
        Seen(
            kind=Kind.READ_BACK_DIFFERS,
            sight=Sight.PRESENT if open_ else Sight.ABSENT,
            what="what was read back differs from what was written",
            predicts_lost_frames=True,
            since=bad[-1].at if bad else None,
            act_by=bad[-1].at if bad else None,
            cause=CauseKind.FAILING_MEDIA,
            next_step=RECOVER,
            because="A later soak was read back right.",
        ),
    )


def write_fault(scene: Scene) -> tuple[Seen, ...]:
    """A write, read or flush was refused in the middle of a probe."""
    faults = [p for p in scene.history.faulty if p.fault_sentence is not None and p.at <= scene.now]
    good = [p for p in scene.history.soaks if p.at <= scene.now and p.fault_sentence is None]
    open_ = bool(faults) and (not good or good[-1].at < faults[-1].at)
    return (
        Seen(
            kind=Kind.WRITE_FAULT,
            sight=Sight.PRESENT if open_ else Sight.ABSENT,
            what="it refused a write, read or flush",
            predicts_lost_frames=True,
            since=faults[-1].at if faults else None,
            act_by=faults[-1].at if faults else None,
            why=(faults[-1].fault_sentence or "",) if faults else (),
            cause=CauseKind.FAILING_MEDIA,
            next_step=RECOVER,
            because="A later soak met no fault.",
        ),
    )


def health_unread(scene: Scene) -> tuple[Seen, ...]:
    """Its health could not be read: the command failed, or the agent may not; neither blames the drive."""
    newest = scene.history.health[-1] if scene.history.health else None
    failed = newest is not None and newest.state in {HealthState.COMMAND_FAILED, HealthState.TIMED_OUT}
    refused = newest is not None and newest.state is HealthState.NO_PERMISSION
    unseen = Sight.UNSEEN if newest is None else Sight.ABSENT
    return (
        Seen(
            kind=Kind.HEALTH_COMMAND_FAILED,
            sight=Sight.PRESENT if failed else unseen,
            what="its health could not be read; that says nothing of the drive yet",
            why=(newest.sentence,) if newest else (),
            next_step="Run smartctl on that machine by hand and see what it says.",
            because="Its health is read again.",
        ),
        Seen(
            kind=Kind.HEALTH_NOT_PERMITTED,
            sight=Sight.PRESENT if refused else unseen,
            what="the agent may not read its health; that says nothing of the drive",
            why=(newest.sentence,) if newest else (),
            next_step="Let the agent run with the right to read drive health.",
            because="The agent may read its health again.",
        ),
    )


def wear(scene: Scene) -> tuple[Seen, ...]:
    """Wear and spare, at their limits now or on the way there."""
    return (
        _now(scene, Kind.WORN_OUT, Limit.WEAR_MEETS_LIMIT, "{value:.0f} % of its rated endurance is used"),
        _soon(scene, Kind.WEAR_WILL_MEET_LIMIT, Limit.WEAR_MEETS_LIMIT, "its rated endurance is used up"),
        _spare_now(scene),
        _soon(
            scene,
            Kind.SPARE_WILL_MEET_THRESHOLD,
            Limit.SPARE_MEETS_THRESHOLD,
            "its spare meets its threshold",
        ),
    )


def _now(scene: Scene, kind: Kind, limit: Limit, words: str) -> Seen:
    meeting = scene.outlook.meeting(limit)
    if meeting is None or meeting.value_now is None or meeting.limit_value is None:
        return Seen(kind=kind, sight=Sight.UNSEEN)
    return Seen(
        kind=kind,
        sight=Sight.PRESENT if meeting.value_now >= meeting.limit_value else Sight.ABSENT,
        what=words.format(value=meeting.value_now),
        value=meeting.value_now,
        limit=meeting.limit_value,
        unit="%",
        cause=CauseKind.WORN,
        next_step="Plan its replacement; the rating is a planning figure, not the day it fails.",
        because="Its figure lies short of the limit.",
    )


def _spare_now(scene: Scene) -> Seen:
    spare, threshold = scene.outlook.wear.spare_percent, scene.outlook.wear.spare_threshold_percent
    if spare is None or threshold is None:
        return Seen(kind=Kind.SPARE_LOW, sight=Sight.UNSEEN)
    return Seen(
        kind=Kind.SPARE_LOW,
        # At the threshold is not below it (NVM Express, spare threshold).
        sight=Sight.PRESENT if spare < threshold else Sight.ABSENT,
        what=f"{spare} % spare space left, its threshold is {threshold} %",
        value=float(spare),
        limit=float(threshold),
        unit="%",
        cause=CauseKind.WORN,
        next_step="Replace it; when its spare is gone it turns read-only.",
        because="Its spare lies at or above its threshold.",
    )


def _soon(scene: Scene, kind: Kind, limit: Limit, words: str) -> Seen:
    meeting = scene.outlook.meeting(limit)
    if meeting is None or meeting.value_now is None:
        return Seen(kind=kind, sight=Sight.UNSEEN)
    if meeting.likely is None or meeting.likely <= scene.now:
        return Seen(kind=kind, sight=Sight.ABSENT, because="It has no date ahead.")
    days = (meeting.likely - scene.now).total_seconds() / 86_400
    horizon = scene.watch.horizon_days
    between = horizon < days <= horizon * (1 + deadband_of(kind, scene))
    return Seen(
        kind=kind,
        sight=Sight.PRESENT if days <= horizon else Sight.BETWEEN if between else Sight.ABSENT,
        what=f"on its course {words} likely on {meeting.likely:%Y-%m-%d}",
        value=meeting.value_now,
        limit=meeting.limit_value,
        unit="%",
        act_by=meeting.earliest or meeting.likely,
        cause=CauseKind.WORN,
        next_step="Have its replacement at hand by then.",
        because="Its date moved beyond the horizon.",
    )


LOOKS: tuple[Look, ...] = (
    media_errors,
    self_assessment_failed,
    critical_warnings,
    read_back_differs,
    write_fault,
    health_unread,
    wear,
)
BEFORE_CONFIRMED = frozenset({Kind.MEDIA_ERRORS, Kind.SELF_ASSESSMENT_FAILED, Kind.READ_BACK_DIFFERS})
