"""Why a floor beneath the rate may say less than it seems: the drive is unfit, and foretells nothing yet."""

from math import exp

from ebbmark_agent.evidence.standing import Standing as Word

from ebbmark_collector.alerts.scene import Scene
from ebbmark_collector.judge.causes import CLOSE_TO_LINK, WORN_PERCENT
from ebbmark_collector.judge.course import only_heated_as_told
from ebbmark_collector.judge.doubt import scatter_explains
from ebbmark_collector.judge.filling import past_a_take
from ebbmark_collector.judge.findings import CauseKind, Ground
from ebbmark_collector.judge.heat import runs_hotter
from ebbmark_collector.judge.history import Presence, ProbePoint
from ebbmark_collector.judge.series import soak_series
from ebbmark_collector.judge.slide import LEAST_SHIFT

STALL_NEAR = 0.25  # [1] of the buffer: stops that grew to this much will go on growing
HEATED = (
    "It dipped while hot from being written far above its role's rate, and then lasted at what is asked, as "
    "near as its soaks tell: a rehearsal at the role's rate tells whether a take would dip."
)
DOUBTED = (
    "Its soaks differ by as much from one to the next, and nothing else speaks of a change: it counts as "
    "unfit, and one more soak tells whether it stays there."
)


def may_be_chance(scene: Scene) -> bool:
    """Tell whether a floor beneath the rate may be scatter: its soaks differ so, and no cause came up since.

    What it was soaked on before counts as no cause: the same slow link, the same heat, an age not yet high.
    """
    standing, wear = scene.standing, scene.outlook.wear
    rate = standing.rate_bytes_per_s
    if standing.shown is not Word.UNFIT or rate is None or not standing.rests_on(Ground.SOAK):
        return False
    if _shown_again(scene):
        return False
    as_before = {CauseKind.UNKNOWN, CauseKind.LINK_BELOW_BEST}
    if wear.used_percent is None or wear.used_percent < WORN_PERCENT:
        as_before.add(CauseKind.WORN)
    if not runs_hotter(scene.history, scene.now):
        as_before.add(CauseKind.TOO_HOT)
    if any(cause.kind not in as_before for cause in scene.causes):
        return False
    return scatter_explains(scene.history, rate, scene.now)


def reader_limits(scene: Scene) -> bool:
    """Tell whether it is its reader, on a link below the best, that limits a medium that comes and goes.

    It is recorded on elsewhere, so what a slow reader carries says nothing of its takes. What carried more
    and then sank is the medium's own: the same reader showed that it can do better.
    """
    facts = scene.history.facts
    if facts.presence is Presence.FIXED or facts.path is None:
        return False
    now, best = facts.path.link_now_bytes_per_s, facts.path.link_best_bytes_per_s
    if now is None or best is None or now >= CLOSE_TO_LINK * best:
        return False
    judged = [p for p in scene.history.soaks if p.probe_id == scene.standing.probe_id and p.counts]
    return not any(_sank_within(p) for p in judged)


def _sank_within(soak: ProbePoint) -> bool:
    floor, mean = soak.floor_bytes_per_s, soak.mean_bytes_per_s
    return floor is not None and mean is not None and floor <= mean * exp(-LEAST_SHIFT)


def heated_only(scene: Scene) -> bool:
    """Tell whether the floor was a passing dip of a soak that made the drive hot, well above the role's rate.

    Such a dip is shown and counts against the standing; a take at the role's rate does not make that heat.
    What it lasted at may lie beneath the demand by what its soaks differ, but not beneath the rate.
    """
    standing = scene.standing
    soak = next((p for p in scene.history.soaks if p.probe_id == standing.probe_id), None)
    demand = scene.role.demand if scene.role is not None else None
    if soak is None or demand is None or _shown_again(scene):
        return False
    stopped = (soak.longest_stall_s or 0.0) >= STALL_NEAR * demand.buffer_s
    return only_heated_as_told(scene.history, soak, demand, scene.now) and not stopped


def overfilled(scene: Scene) -> str | None:
    """Say that the floor lies where its soak had filled the drive past what a take leaves, if so."""
    standing, role = scene.standing, scene.role
    if role is None or _shown_again(scene):
        return None
    soaks = [p for p in soak_series(scene.history) if p.at <= scene.now]
    if not soaks or soaks[-1].probe_id != standing.probe_id:
        return None
    found = past_a_take(scene.history, role, soaks, scene.now)
    if found is None:
        return None
    end, take_ends = found
    return (
        f"It slowed as its soak filled it to {end:.0%}; a take begun at its fullest of late ends at "
        f"{take_ends:.0%}. One begun any fuller may lose frames: free it before."
    )


def _shown_again(scene: Scene) -> bool:
    """Tell whether spots or takes since its soak say the same: then it is not the soak alone that speaks."""
    standing = scene.standing
    return standing.rests_on(Ground.LOWERED_BY_SPOT) or standing.rests_on(Ground.LOWERED_BY_TAKE)
