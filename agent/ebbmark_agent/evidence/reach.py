"""Reach: what a probe covers, whether that is what a demand needs, and whether its end counts as settled."""

from ebbmark_agent.evidence.demand import Demand
from ebbmark_agent.evidence.floor import Floor
from ebbmark_agent.evidence.links import path_name
from ebbmark_agent.evidence.patterns import Shape
from ebbmark_agent.evidence.probe_evidence import ProbeEvidence
from ebbmark_agent.evidence.probe_words import ProbeKind, SoakEnd
from ebbmark_agent.evidence.spoken import spoken_bytes, spoken_minutes
from ebbmark_agent.evidence.standing import HowLong, MinutesKind, Reach, ReasonCode

WHOLE_SHARE = 0.90  # [1] own: file system and the space a probe leaves free take the rest
SMALL_WHOLE_SHARE = 0.75  # [1] own: on a small volume they take up to a quarter
EMPTY_SHARE = 0.10  # [1] own: a new file system's tables and journal, most of it on small volumes
INNERMOST_SHARE = 0.90  # [1] of the medium: past it a disk's tracks hardly shorten further

STILL_MOVING = frozenset({Shape.SLOW_SLIDE, Shape.THERMAL_SAG, Shape.INNER_TRACKS})


def reach_of(evidence: ProbeEvidence, floor: Floor | None, *, fills_bytes: float | None) -> Reach:
    """Say what a probe covers.

    Args:
        evidence: The probe.
        floor: Its floor at the demand's buffer; None where it has none.
        fills_bytes: What the role will fill [bytes]; None: the whole volume.

    Returns:
        The reach, with its two judgements: a whole pass, and settled.
    """
    whole = covers_whole_medium(evidence, fills_bytes=fills_bytes)
    return Reach(
        kind=evidence.kind,
        written_bytes=evidence.figures.total_bytes,
        duration_s=evidence.figures.duration_s,
        whole_medium=whole,
        settled=floor is not None and floor.settled and _end_counts(evidence, whole=whole),
        pauses=len(evidence.figures.segments) - 1,
        fill_start=evidence.fill_start,
        fill_end=evidence.fill_end,
        position_start=evidence.position_start if evidence.rotational else None,
        position_end=evidence.position_end if evidence.rotational else None,
        hottest_c=evidence.hottest_c,
        rest_before_s=evidence.rest_before_s,
        path_key=evidence.path.key,
        path_name=path_name(evidence.path),
        file_system=evidence.file_system,
        layout=evidence.layout,
        started_at=evidence.started_at,
    )


def covers_whole_medium(evidence: ProbeEvidence, *, fills_bytes: float | None) -> bool:
    """Tell whether a probe made one unbroken pass over what the role will fill.

    A spot never does. A soak that began on an empty volume and used up its room did, even where file system
    and reserve leave less than the usual share. Where neither the volume's size nor what will be filled is
    known, the probe's own word for why it stopped is taken.
    """
    if evidence.kind is ProbeKind.SPOT or len(evidence.figures.segments) > 1:
        return False
    needed = fills_bytes if fills_bytes is not None else evidence.capacity_bytes
    if needed is None:
        return evidence.soak_end is SoakEnd.WHOLE_MEDIUM
    if evidence.figures.total_bytes >= WHOLE_SHARE * needed:
        return True
    return (
        fills_bytes is None
        and evidence.soak_end is SoakEnd.WHOLE_MEDIUM
        and evidence.fill_start is not None
        and evidence.fill_start <= EMPTY_SHARE
        and evidence.figures.total_bytes >= SMALL_WHOLE_SHARE * needed
    )


def sees_inner_tracks(evidence: ProbeEvidence) -> bool:
    """Tell whether a disk's slowest tracks were among those written; always true for one without tracks."""
    if evidence.rotational is not True:
        return True
    return evidence.position_end is not None and evidence.position_end >= INNERMOST_SHARE


def _end_counts(evidence: ProbeEvidence, *, whole: bool) -> bool:
    """Tell whether five flat rounds at the end may be called settled rather than flat so far.

    They may after one whole pass, and past a found cliff. A cliff says nothing of a disk's inner tracks, and
    a rate that was still sagging or sliding has no end yet.
    """
    if len(evidence.figures.segments) > 1:
        return False
    if whole:
        return True
    if evidence.figures.pattern.shape in STILL_MOVING:
        return False
    return bool(evidence.figures.cliffs) and sees_inner_tracks(evidence)


def from_rest_shown(evidence: ProbeEvidence, demand: Demand) -> bool:
    """Tell whether a probe began as rested as the role promises; what is not known counts as rested.

    A probe that did not shows too little rather than too much, so it may pass a drive but not fail one.
    """
    if evidence.debt_before_bytes > 0:
        return False
    wanted_s = demand.rest_before_take_s
    return wanted_s is None or evidence.rest_before_s is None or evidence.rest_before_s >= wanted_s


def missing_reach(
    evidence: ProbeEvidence, demand: Demand, reach: Reach, from_rest: HowLong, *, flat: bool
) -> tuple[ReasonCode, str] | None:
    """Say what a reach lacks for a demand that the floor carries.

    Args:
        evidence: The probe.
        demand: What is asked.
        reach: What the probe covers.
        from_rest: For how long it carries the demand.
        flat: Its last five rounds were flat.

    Returns:
        The reason and its sentence, or None where nothing is lacking.
    """
    if demand.take_s is not None:
        return _missing_of_take(demand.take_s, from_rest)
    if reach.whole_medium or reach.settled:
        return None
    amount = spoken_bytes(reach.written_bytes)
    moved = f"{amount} {'read' if evidence.kind is ProbeKind.READ else 'written'}"
    if reach.pauses:
        return ReasonCode.PAUSED, f"it was paused {reach.pauses} times, so no whole pass is shown"
    if not sees_inner_tracks(evidence):
        return ReasonCode.INNER_TRACKS_UNSEEN, f"{moved}, the slow inner tracks not among them"
    if flat:
        return ReasonCode.FLAT_SO_FAR, f"flat so far over {amount}, with no cliff found and no whole pass"
    return ReasonCode.REACH_SHORT, f"{moved}, the whole medium is asked"


def _missing_of_take(take_s: float, shown: HowLong) -> tuple[ReasonCode, str] | None:
    minutes = shown.minutes or 0.0
    if shown.kind is MinutesKind.UNLIMITED or minutes * 60 >= take_s:
        return None
    return (
        ReasonCode.REACH_SHORT,
        f"proven for {spoken_minutes(minutes)} of a take of {spoken_minutes(take_s / 60)}",
    )
