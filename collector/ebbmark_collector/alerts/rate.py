"""Conditions of the write rate: the floor against the demand, today and on its present course."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from math import exp, log
from statistics import median

from ebbmark_agent.evidence.standing import Standing as Word

from ebbmark_collector.alerts.excuses import (
    DOUBTED,
    HEATED,
    STALL_NEAR,
    heated_only,
    may_be_chance,
    overfilled,
    reader_limits,
)
from ebbmark_collector.alerts.scene import Look, Scene, Seen, above, below, deadband_of, mb_s
from ebbmark_collector.alerts.surroundings import link_holds
from ebbmark_collector.alerts.vocabulary import ConditionKind as Kind
from ebbmark_collector.alerts.vocabulary import Sight
from ebbmark_collector.judge.causes import WORN_PERCENT
from ebbmark_collector.judge.course import SOAK_SCATTER, SOAKS_SPAN_DAYS
from ebbmark_collector.judge.findings import CauseKind, Likeness, Limit, Meeting
from ebbmark_collector.judge.heat import runs_hotter
from ebbmark_collector.judge.history import Presence, ProbePoint
from ebbmark_collector.judge.series import days_between, soak_series, spot_series
from ebbmark_collector.judge.slide import LEAST_SHIFT, scatter_of
from ebbmark_collector.judge.standing import spot_scatter

SINKING = -0.003  # [1/day] of ln(rate): nine percent a month, which no healthy drive does
DEEP = 0.15  # [1] of its rate gone
RECENT_SPOTS = 7  # [1]
SUNK_SIGMAS = 3.0  # [1] of what soaks of this drive differ by
FEW_SOAKS = 4  # [1] before the newest that tell what is usual
STALL_GREW = 3.0  # [1] times
SOON = timedelta(days=21)  # a date nearer than this is told at once
BELIEVED_AFTER_S = 5 * 86_400.0  # [s] a later one may be gone tomorrow, with the next probe


def floor_under_demand(scene: Scene) -> tuple[Seen, ...]:
    """The floor lies under what the role asks: frames will be lost (under the rate) or the margin is gone."""
    standing = scene.standing
    if standing.demand_bytes_per_s is None or standing.rate_bytes_per_s is None:
        return (_not_asked(Kind.FLOOR_UNDER_DEMAND),)
    told = f"floor {mb_s(standing.floor_bytes_per_s)}, {mb_s(standing.demand_bytes_per_s)} asked"
    heated = heated_only(scene)
    readers = reader_limits(scene)
    doubted = may_be_chance(scene)
    fuller = overfilled(scene)
    excused = heated or readers or doubted or fuller is not None
    beneath_rate = standing.shown is Word.UNFIT and not excused
    meets_rate = _meets_rate_soon(scene)
    falls = (not readers and _sank_between_visits(scene)) or (not heated and _goes_down(scene))
    foreseen = meets_rate is not None or falls
    match standing.shown:
        case Word.UNFIT | Word.MARGINAL:
            sight = Sight.PRESENT
        case Word.FIT:
            sight = below(
                standing.floor_bytes_per_s,
                standing.demand_bytes_per_s,
                deadband_of(Kind.FLOOR_UNDER_DEMAND, scene),
            )
            # A role with short takes can be fit on a floor beneath its rate: then the probe's word counts.
            sight = Sight.ABSENT if sight is Sight.PRESENT else sight
        case Word.UNPROVEN if (standing.floor_bytes_per_s or 0.0) >= standing.demand_bytes_per_s:
            sight = Sight.BETWEEN
        case _:
            sight = Sight.UNSEEN
    return (
        Seen(
            kind=Kind.FLOOR_UNDER_DEMAND,
            sight=sight,
            what=told,
            predicts_lost_frames=beneath_rate or foreseen,
            value=standing.floor_bytes_per_s,
            limit=standing.demand_bytes_per_s,
            unit="bytes/s",
            since=standing.evidence_at,
            act_by=standing.evidence_at if beneath_rate else _date(meets_rate) if meets_rate else None,
            why=(
                *(r.sentence for r in standing.reasons),
                *((_course_of(meets_rate, standing.rate_bytes_per_s),) if meets_rate else ()),
                *((HEATED,) if heated else ()),
                *((DOUBTED,) if doubted else ()),
                *((fuller,) if fuller else ()),
            ),
            milder=0 if beneath_rate else 1 if foreseen else 2,
            believed_after_s=0.0 if beneath_rate or falls else _believed_after_s(meets_rate, scene),
            because=f"It was probed again and does better: {told}.",
            blames_causes=True,
        ),
    )


def _sank_between_visits(scene: Scene) -> bool:
    """Tell whether a medium that comes and goes has sunk beneath its demand since it was last looked at.

    The next look may be months away, so two looks have to do for a course: what neither link limited is the
    medium's own, whichever reader it was in. It is held against the looks at which it was fit, or, if there
    was none, against those at which it fell short and still carried the rate. One look is enough where its
    rated endurance is used up: what it has left goes on going.
    """
    if scene.history.facts.presence is Presence.FIXED or scene.standing.shown is not Word.MARGINAL:
        return False
    soaks = [p for p in scene.history.soaks if p.at <= scene.now and p.counts and p.fit is not None]
    if not soaks or soaks[-1].probe_id != scene.standing.probe_id:
        return False
    wear = scene.outlook.meeting(Limit.WEAR_MEETS_LIMIT)
    if wear is not None and wear.limit_value is not None and (wear.value_now or 0.0) >= wear.limit_value:
        return True
    newest = soaks.pop()
    before = _floors_of(soaks, Word.FIT) or _floors_of(soaks, Word.MARGINAL)
    return bool(before) and (newest.floor_bytes_per_s or 0.0) <= median(before) * exp(-LEAST_SHIFT)


def _floors_of(soaks: Sequence[ProbePoint], word: Word) -> list[float]:
    return [
        p.floor_bytes_per_s
        for p in soaks
        if p.fit is not None and p.fit.standing is word and p.floor_bytes_per_s is not None
    ]


def _goes_down(scene: Scene) -> bool:
    """Tell whether a worn or ever hotter drive sank beneath its demand and is soon beneath its rate.

    A fall that one soak's scatter might explain is believed where wear or heat says the same, unless the
    soaks before it are seen to scatter more widely than its spots let expect. How fast it goes is reckoned
    from the last soak some weeks before that still ran as usual, so that neither a single low soak nor one
    soon after another makes a steep course.
    """
    standing, used = scene.standing, scene.outlook.wear.used_percent
    if standing.shown is not Word.MARGINAL:
        return False
    too_hot = any(cause.kind is CauseKind.TOO_HOT for cause in scene.causes)
    hotter = too_hot and runs_hotter(scene.history, scene.now)
    if (used is None or used < WORN_PERCENT) and not hotter:
        return False
    soaks = [p for p in soak_series(scene.history) if p.at <= scene.now and p.floor_bytes_per_s]
    rate = standing.rate_bytes_per_s
    if len(soaks) < 1 + FEW_SOAKS or soaks[-1].probe_id != standing.probe_id or not rate:
        return False
    newest = soaks.pop()
    floor, usual = newest.floor_bytes_per_s or 0.0, median([p.floor_bytes_per_s or 0.0 for p in soaks])
    as_usual = [p for p in soaks if (p.floor_bytes_per_s or 0.0) >= usual]
    weeks_ago = [p for p in as_usual if days_between(p.at, newest.at) >= SOAKS_SPAN_DAYS]
    before = weeks_ago[-1] if weeks_ago else as_usual[0]
    if any((p.floor_bytes_per_s or 0.0) <= floor for p in soaks if p.at < before.at):
        return False  # it was as low before and came back
    sunk, span_days = log(usual / floor), days_between(before.at, newest.at)
    expected = SOAK_SCATTER * spot_scatter(spot_series(scene.history, scene.now))
    shown = scatter_of([log(p.floor_bytes_per_s or floor) for p in soaks])
    if sunk < max(LEAST_SHIFT, SUNK_SIGMAS * max(expected, shown)) or span_days <= 0:
        return False
    left = log(floor / rate) / (sunk / span_days) - days_between(newest.at, scene.now)
    return left <= scene.watch.horizon_days


def margin_thin(scene: Scene) -> tuple[Seen, ...]:
    """Fit, but with little to spare."""
    standing, role = scene.standing, scene.role
    if role is None or standing.demand_bytes_per_s is None:
        return (_not_asked(Kind.MARGIN_THIN),)
    if standing.shown in {Word.UNFIT, Word.MARGINAL}:
        return (_taken_over(Kind.MARGIN_THIN),)
    if standing.margin is None or standing.shown is not Word.FIT or standing.margin < 0:
        return (Seen(kind=Kind.MARGIN_THIN, sight=Sight.UNSEEN),)
    limit = standing.demand_bytes_per_s * (1 + role.role.margin_thin)
    return (
        Seen(
            kind=Kind.MARGIN_THIN,
            sight=below(standing.floor_bytes_per_s, limit, deadband_of(Kind.MARGIN_THIN, scene)),
            what=f"{standing.margin:.0%} to spare: floor {mb_s(standing.floor_bytes_per_s)}, "
            f"{mb_s(standing.demand_bytes_per_s)} asked",
            value=standing.floor_bytes_per_s,
            limit=limit,
            unit="bytes/s",
            since=standing.evidence_at,
            next_step="Keep it in its role and look again at its next soak.",
            because=f"It has {standing.margin:.0%} to spare now.",
        ),
    )


def floor_will_meet_demand(scene: Scene) -> tuple[Seen, ...]:
    """On its present course the floor meets what the role asks within the horizon."""
    kind = Kind.FLOOR_WILL_MEET_DEMAND
    if scene.role is None or scene.role.demand is None:
        return (_not_asked(kind),)
    if scene.standing.shown is Word.UNFIT:
        return (_taken_over(kind),)
    rate = _meets_rate_soon(scene) is not None
    limit = Limit.FLOOR_MEETS_RATE if rate else Limit.FLOOR_MEETS_DEMAND
    meeting = scene.outlook.meeting(limit)
    if meeting is None or meeting.likely is None:
        word = f"Its course has no date any more ({meeting.no_date})." if meeting else None
        return (Seen(kind=kind, sight=Sight.ABSENT, because=word),)
    days = (meeting.likely - scene.now).total_seconds() / 86_400
    horizon = scene.watch.horizon_days
    sight = Sight.PRESENT if days <= horizon else Sight.ABSENT
    if horizon < days <= horizon * (1 + deadband_of(kind, scene)):
        sight = Sight.BETWEEN
    if sight is Sight.PRESENT and scene.standing.shown is Word.MARGINAL:
        sight = Sight.BETWEEN  # the floor's own alert says it, with the date; one that stands stays
    asked = scene.standing.rate_bytes_per_s if rate else scene.standing.demand_bytes_per_s
    return (
        Seen(
            kind=kind,
            sight=sight,
            what=f"floor {_falling(meeting, asked)}",
            predicts_lost_frames=rate,
            value=meeting.value_now,
            limit=asked,
            unit="bytes/s",
            act_by=_date(meeting),
            why=(f"{meeting.points} gathered probes fall together.",),
            milder=0 if rate else 1,
            believed_after_s=_believed_after_s(meeting if rate else None, scene),
            because=f"Its likely date moved beyond the horizon of {horizon:.0f} days.",
            blames_causes=True,
        ),
    )


def floor_stepped_down(scene: Scene) -> tuple[Seen, ...]:
    """The floor of the regular probes fell by a step and stayed down."""
    kind = Kind.FLOOR_STEPPED_DOWN
    fell = scene.outlook.spot_step
    if fell is None:
        return (Seen(kind=kind, sight=Sight.ABSENT, because="Its probes are back at what they were."),)
    rate = scene.standing.rate_bytes_per_s
    estimated = scene.outlook.floor_now_bytes_per_s
    slope = scene.outlook.spot_slide
    steep = slope is not None and slope.falling and slope.per_day <= SINKING and fell.fall >= DEEP
    sinking = steep and not link_holds(scene)
    short = rate is not None and estimated is not None and estimated < rate
    beneath = sinking or (short and not heated_only(scene))
    return (
        Seen(
            kind=kind,
            sight=Sight.PRESENT,
            what=f"its probes fell from {mb_s(fell.before_bytes_per_s)} to {mb_s(fell.after_bytes_per_s)}",
            predicts_lost_frames=beneath,
            value=fell.after_bytes_per_s,
            limit=fell.before_bytes_per_s,
            unit="bytes/s",
            since=fell.since,
            why=(f"{fell.probes_since} probes since {fell.since:%Y-%m-%d} lie {fell.fall:.0%} lower.",),
            milder=0 if beneath else 1,
            blames_causes=True,
        ),
    )


def stalls_beyond_buffer(scene: Scene) -> tuple[Seen, ...]:
    """The drive stops for longer than the recorder can hold back, or is on its way there."""
    kind = Kind.STALLS_BEYOND_BUFFER
    if scene.role is None or scene.role.demand is None:
        return (_not_asked(kind),)
    buffer_s = scene.role.role.buffer_s
    recent = (*soak_series(scene.history)[-1:], *spot_series(scene.history, scene.now)[-RECENT_SPOTS:])
    stalls = [
        (p.longest_stall_s, p.at) for p in recent if p.longest_stall_s is not None and p.at <= scene.now
    ]
    if not stalls:
        return (Seen(kind=kind, sight=Sight.UNSEEN),)
    longest, at = max(stalls)
    spots_grew = scene.outlook.stall_growth is not None and scene.outlook.stall_growth >= STALL_GREW
    grew = spots_grew or _stops_where_it_never_did(scene, buffer_s)
    limit = buffer_s * STALL_NEAR if grew else buffer_s
    return (
        Seen(
            kind=kind,
            sight=above(longest, limit, deadband_of(kind, scene)),
            what=f"it stopped for {longest:.2f} s; the recorder holds {buffer_s:.2f} s",
            predicts_lost_frames=True,
            value=longest,
            limit=buffer_s,
            unit="s",
            since=at,
            act_by=at,
            milder=0 if longest >= buffer_s else 1,
            because=f"Its longest recent stop is {longest:.2f} s.",
            blames_causes=True,
        ),
    )


def _stops_where_it_never_did(scene: Scene, buffer_s: float) -> bool:
    """Tell whether the newest soak, slower than is usual, stopped for far longer than those before it."""
    soaks = [p for p in soak_series(scene.history) if p.at <= scene.now]
    if len(soaks) < 1 + FEW_SOAKS:
        return False
    *before, newest = soaks
    longest, floors = newest.longest_stall_s or 0.0, [p.floor_bytes_per_s or 0.0 for p in before]
    stopped_before = max(p.longest_stall_s or 0.0 for p in before)
    slower = (newest.floor_bytes_per_s or 0.0) <= median(floors) * exp(-LEAST_SHIFT)
    return slower and longest >= STALL_NEAR * buffer_s and longest >= STALL_GREW * stopped_before


def slower_than_siblings(scene: Scene) -> tuple[Seen, ...]:
    """It takes twice as long as drives of its model and firmware do."""
    cohort = scene.cohort
    if cohort.likeness is Likeness.TOO_FEW or cohort.ratio is None:
        return (Seen(kind=Kind.SLOWER_THAN_SIBLINGS, sight=Sight.UNSEEN),)
    sight = above(cohort.ratio, 2.0, deadband_of(Kind.SLOWER_THAN_SIBLINGS, scene))
    return (
        Seen(
            kind=Kind.SLOWER_THAN_SIBLINGS,
            sight=sight,
            what=f"it takes {cohort.ratio:.1f} times as long as its {cohort.siblings} siblings",
            value=cohort.ratio,
            limit=2.0,
            unit="1",
            because=f"It takes {cohort.ratio:.1f} times as long as its siblings now.",
            blames_causes=True,
        ),
    )


def _meets_rate_soon(scene: Scene) -> Meeting | None:
    """Give when the floor meets the rate itself, if that is within the horizon."""
    meeting = scene.outlook.meeting(Limit.FLOOR_MEETS_RATE)
    if meeting is None or meeting.likely is None or link_holds(scene):
        return None
    return meeting if meeting.likely <= scene.now + timedelta(days=scene.watch.horizon_days) else None


def _believed_after_s(meeting: Meeting | None, scene: Scene) -> float:
    """Give how long a date must stand before an alert grows more severe for it [s]: none where it is near."""
    later = meeting is not None and meeting.likely is not None and meeting.likely - scene.now > SOON
    return BELIEVED_AFTER_S if later else 0.0


def _date(meeting: Meeting) -> datetime | None:
    return meeting.earliest or meeting.likely


def _course_of(meeting: Meeting, asked_bytes_per_s: float | None) -> str:
    return f"Its floor is {_falling(meeting, asked_bytes_per_s)}."


def _falling(meeting: Meeting, asked_bytes_per_s: float | None) -> str:
    earliest = f", {meeting.earliest:%Y-%m-%d} at the earliest" if meeting.earliest else ""
    return (
        f"about {mb_s(meeting.value_now)} and falling; it meets {mb_s(asked_bytes_per_s)} "
        f"likely on {meeting.likely:%Y-%m-%d}{earliest}"
    )


def _not_asked(kind: Kind) -> Seen:
    word = "Its role asks for no write rate now."
    return Seen(kind=kind, sight=Sight.ABSENT, because=word, for_good=True)


def _taken_over(kind: Kind) -> Seen:
    return Seen(
        kind=kind, sight=Sight.ABSENT, because="Its floor lies under the demand now; that alert took over."
    )


LOOKS: tuple[Look, ...] = (
    floor_under_demand,
    margin_thin,
    floor_will_meet_demand,
    floor_stepped_down,
    stalls_beyond_buffer,
    slower_than_siblings,
)
