"""Conditions of what is around the drive: link, cable, heat, how full it is, incidents people report."""

from datetime import datetime, timedelta

from ebbmark_agent.report import Bus, DiscardState

from ebbmark_collector.alerts.scene import Look, Scene, Seen, above, deadband_of, mb_s
from ebbmark_collector.alerts.vocabulary import ConditionKind as Kind
from ebbmark_collector.alerts.vocabulary import Sight
from ebbmark_collector.judge.causes import CLOSE_TO_LINK, growth_over
from ebbmark_collector.judge.findings import CauseKind, Ground, Limit, Meeting
from ebbmark_collector.judge.history import PathNow
from ebbmark_collector.judge.untrimmed import runs_short

RECENT = timedelta(days=35)
FILLING_DAYS = 45.0  # [days] ahead; projects may still be offloaded
LINK_CARRIES = 0.7  # [1] of a link's payload ceiling at the least; common practice, no source
CROWDED_TIMES = 20.0  # [1] without free blocks a fast drive may fall to a tenth; common practice, no source
SLOWEST_SATA_BYTES_PER_S = 150e6  # a failing link goes down by steps; 1.5 Gb/s after 8b/10b is the last
SATA_CARRIES = 0.88  # [1] of its payload ceiling; common practice, no source
REPEATED_TIMES = 2.0  # [1] repeated transfers seldom take more than half of a link
CRC_FEW = 3  # [1] in five weeks; single ones happen on good cables
CRC_MANY = 20  # [1] in five weeks: transfers are repeated all the time


def link_below_best(scene: Scene) -> tuple[Seen, ...]:
    """The link runs slower than both its ends can: a cable, a hub or a port, not the drive."""
    path = scene.history.facts.path
    if path is None or path.link_now_bytes_per_s is None or path.link_best_bytes_per_s is None:
        return (Seen(kind=Kind.LINK_BELOW_BEST, sight=Sight.UNSEEN),)
    slower = path.link_now_bytes_per_s < CLOSE_TO_LINK * path.link_best_bytes_per_s
    rate = scene.standing.rate_bytes_per_s
    cannot = slower and rate is not None and _carried(path, path.link_now_bytes_per_s) < rate
    return (
        Seen(
            kind=Kind.LINK_BELOW_BEST,
            sight=Sight.PRESENT if slower else Sight.ABSENT,
            what=f"its link runs at {path.link_now or mb_s(path.link_now_bytes_per_s)}; "
            f"{path.link_best or mb_s(path.link_best_bytes_per_s)} is possible",
            predicts_lost_frames=cannot,
            value=path.link_now_bytes_per_s,
            limit=path.link_best_bytes_per_s,
            unit="bytes/s",
            since=path.since,
            act_by=scene.now if cannot else None,
            milder=0 if cannot else 1,
            cause=CauseKind.LINK_BELOW_BEST,
            next_step="Put it on its best port with a cable made for it; the drive itself is not to blame.",
            because="Its link runs at its best again.",
        ),
    )


def interface_errors(scene: Scene) -> tuple[Seen, ...]:
    """Transfers are repeated on the way to the drive: its cable or reader."""
    last = scene.history.last_health
    if last is None or last.interface_crc_errors is None:
        return (Seen(kind=Kind.INTERFACE_ERRORS, sight=Sight.UNSEEN),)
    grown = growth_over(scene.history, "interface_crc_errors", scene.now, RECENT)
    return (
        Seen(
            kind=Kind.INTERFACE_ERRORS,
            sight=Sight.PRESENT if grown >= CRC_FEW else Sight.BETWEEN if grown else Sight.ABSENT,
            what=f"{grown} interface CRC errors within five weeks",
            predicts_lost_frames=grown >= CRC_MANY and may_fall_short(scene),
            value=float(grown),
            limit=float(CRC_FEW),
            unit="1",
            milder=0 if grown >= CRC_MANY else 1,
            cause=CauseKind.CABLE_OR_READER,
            next_step="Change the cable or the reader, then probe; the drive itself is not to blame.",
            because="No interface CRC error in five weeks.",
        ),
    )


def _carried(path: PathNow, ceiling_bytes_per_s: float) -> float:
    """Give what a link carries of its payload ceiling at the least [bytes/s]."""
    return ceiling_bytes_per_s * (SATA_CARRIES if path.bus is Bus.SATA else LINK_CARRIES)


def may_fall_short(scene: Scene) -> bool:
    """Tell whether a link that goes on failing would carry less than the role's rate.

    A SATA link goes down to 1.5 Gb/s at the last. What others end at is not known: there half of what the
    drive carries now is reckoned with.
    """
    path, rate = scene.history.facts.path, scene.standing.rate_bytes_per_s
    if path is not None and path.bus is Bus.SATA and rate is not None:
        return _carried(path, SLOWEST_SATA_BYTES_PER_S) < rate
    return _little_slack(scene, REPEATED_TIMES)


def link_holds(scene: Scene) -> bool:
    """Tell whether it is the link that sinks, and the rate is carried even where that ends.

    Then a course says when the link gives way, which it does by a step, and not when frames are lost.
    """
    grown = growth_over(scene.history, "interface_crc_errors", scene.now, RECENT)
    return grown >= CRC_FEW and not may_fall_short(scene)


def too_hot(scene: Scene) -> tuple[Seen, ...]:
    """It runs hotter than its role allows."""
    kind = Kind.TOO_HOT
    limit = scene.role.role.hot_c if scene.role else None
    if limit is None:
        word = "Its role names no temperature."
        return (Seen(kind=kind, sight=Sight.ABSENT, because=word, for_good=True),)
    week = scene.now - timedelta(days=7)
    seen = [p.temperature_hottest_c for p in scene.history.probes if week <= p.at <= scene.now]
    seen += [h.temperature_c for h in scene.history.health[-14:] if week <= h.at <= scene.now]
    known = [t for t in seen if t is not None]
    hottest = max(known) if known else None
    return (
        Seen(
            kind=kind,
            sight=above(hottest, limit, deadband_of(kind, scene)),
            what=f"it reached {hottest:.0f} °C within a week; its role allows {limit:.0f} °C"
            if known
            else "",
            value=hottest,
            limit=limit,
            unit="Cel",
            cause=CauseKind.TOO_HOT,
            next_step="Give it air: clean the intake, move it from its neighbours.",
            because="It has kept cool for a week.",
        ),
    )


def nearly_full(scene: Scene) -> tuple[Seen, ...]:
    """So full that its cache is short and the next take may not find room."""
    kind = Kind.NEARLY_FULL
    if scene.role is None:
        return (Seen(kind=kind, sight=Sight.ABSENT, because="It has no role."),)
    fill, limit = scene.history.facts.fill, scene.role.role.fill_limit
    soon = scene.outlook.meeting(Limit.FILL_MEETS_LIMIT)
    if soon is not None and soon.likely is not None and above(fill, limit, 0.0) is not Sight.PRESENT:
        return (_filling_up(scene, soon),)
    sight = above(fill, limit, deadband_of(kind, scene))
    # A week without a new peak is a pause; it is over when the peaks are what they used to be.
    if sight is Sight.ABSENT and soon is not None and soon.value_now is not None:
        sight = Sight.BETWEEN
    return (
        Seen(
            kind=kind,
            sight=sight,
            what=f"{fill:.0%} of it is used; its role allows {limit:.0%}" if fill is not None else "",
            value=fill,
            limit=limit,
            unit="1",
            cause=CauseKind.TOO_FULL,
            next_step="Offload what is on it.",
            because="It has room again.",
        ),
    )


def trim_stopped(scene: Scene) -> tuple[Seen, ...]:
    """It was told of freed blocks and is not any more; cache and floor go with the free blocks."""
    kind = Kind.TRIM_STOPPED
    facts = scene.history.facts
    if facts.rotational or facts.trim is None:
        return (Seen(kind=kind, sight=Sight.ABSENT, because="It needs no trim, or does not tell."),)
    since = _without_discard_since(scene)
    if facts.trim or since is None:
        return (Seen(kind=kind, sight=Sight.ABSENT, because="It is told of freed blocks again."),)
    short = runs_short(scene.history, since, scene.now, horizon_days=scene.watch.horizon_days)
    foretells = short and _little_slack(scene, CROWDED_TIMES)
    return (
        Seen(
            kind=kind,
            sight=Sight.PRESENT,
            what=f"not told of freed blocks since {since:%Y-%m-%d}, though it was before",
            predicts_lost_frames=foretells,
            since=since,
            milder=0 if foretells else 1,
            cause=CauseKind.NOT_TRIMMED,
            next_step="Have the file system trim it, or erase it in the recorder; then soak.",
        ),
    )


def _without_discard_since(scene: Scene) -> datetime | None:
    """Give the first of the newest unbroken run of probes without discard; None unless one before had it."""
    since = None
    for p in reversed(scene.history.probes):
        if p.at > scene.now or p.path_key != scene.history.path_key:
            continue
        if p.discard is not DiscardState.NOT_POSSIBLE:
            return since
        since = p.at
    return None


def _little_slack(scene: Scene, times: float) -> bool:
    """Tell whether drive and link together carry less than so many times what is asked, as far as is known.

    After a change of path the newest soak on the old one still tells what the drive itself can.
    """
    standing, path = scene.standing, scene.history.facts.path
    soaks = scene.history.soaks
    floor = standing.floor_bytes_per_s or (soaks[-1].floor_bytes_per_s if soaks else None)
    if floor is None or standing.demand_bytes_per_s is None:
        return True
    if path is not None and path.link_now_bytes_per_s is not None:
        floor = min(floor, LINK_CARRIES * path.link_now_bytes_per_s)
    return floor < times * standing.demand_bytes_per_s


def _filling_up(scene: Scene, soon: Meeting) -> Seen:
    """It fills up for good: soon a take would end where caches and free blocks run out."""
    assert soon.likely is not None  # the caller looked
    days = (soon.likely - scene.now).total_seconds() / 86_400
    near = days <= FILLING_DAYS
    return Seen(
        kind=Kind.NEARLY_FULL,
        sight=Sight.PRESENT if near else Sight.BETWEEN,
        what=f"it fills up: {soon.value_now or 0.0:.0%} used at its peak and rising; "
        f"a take would end past what its role allows likely from {soon.likely:%Y-%m-%d} on",
        predicts_lost_frames=scene.role is not None
        and scene.role.demand is not None
        and not scene.history.facts.rotational
        and _little_slack(scene, CROWDED_TIMES),
        value=soon.value_now,
        limit=soon.limit_value,
        unit="1",
        act_by=soon.likely,
        cause=CauseKind.TOO_FULL,
        next_step="Offload what is on it, or free space by then.",
    )


def frames_lost(scene: Scene) -> tuple[Seen, ...]:
    """A person saw frames lost on it, and no soak has qualified it since."""
    open_ = scene.standing.rests_on(Ground.INCIDENT)
    past = [i for i in scene.history.incidents if i.happened_at <= scene.now]
    if open_ or not past:
        sight = Sight.PRESENT if open_ else Sight.ABSENT
    else:
        sight = Sight.ABSENT if scene.role is not None else Sight.UNSEEN
    last = past[-1] if past else None
    return (
        Seen(
            kind=Kind.FRAMES_LOST,
            sight=sight,
            what=f"{last.reported_by} reported frames lost on {last.happened_at:%Y-%m-%d}" if last else "",
            predicts_lost_frames=True,
            since=last.happened_at if last else None,
            act_by=last.happened_at if last else None,
            why=(last.note,) if last and last.note else (),
            next_step="Do not record on it; soak it to qualify it again.",
            because="A soak qualified it again.",
        ),
    )


LOOKS: tuple[Look, ...] = (
    link_below_best,
    interface_errors,
    too_hot,
    nearly_full,
    trim_stopped,
    frames_lost,
)
