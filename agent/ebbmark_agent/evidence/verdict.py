"""Puts a judgement into words read in five seconds: standing, why, numbers, limits, and the next step."""

from collections.abc import Sequence

from ebbmark_agent.evidence.figures import Figures
from ebbmark_agent.evidence.patterns import Shape
from ebbmark_agent.evidence.reach import EMPTY_SHARE
from ebbmark_agent.evidence.spoken import spoken_bytes, spoken_minutes, spoken_rate
from ebbmark_agent.evidence.standing import Fit, HowLong, MinutesKind, Reach, ReasonCode, Standing

_LABEL_WIDTH = 10

_NEXT = {
    ReasonCode.CARRIES_DEMAND: "nothing; a pass is no backup",
    ReasonCode.BELOW_DEMAND: "keep to the rule above, or use a faster drive",
    ReasonCode.REACH_SHORT: "soak it until the whole of what will be recorded is written",
    ReasonCode.FLAT_SO_FAR: "soak it until the whole medium is written or a cliff shows",
    ReasonCode.PAUSED: "cool it and soak it again without a pause",
    ReasonCode.NOT_FROM_REST: "erase it, let it rest, and soak it again",
    ReasonCode.INNER_TRACKS_UNSEEN: "soak it over the whole disk",
    ReasonCode.BUFFER_LONGER_THAN_TRACE: "probe it for several times the buffer",
    ReasonCode.GAVE_WAY: "probe it again when nothing else uses it",
    ReasonCode.NOT_COMPLETED: "probe it again",
    ReasonCode.WRITE_FAULT: "copy off what is on it and take it out of use",
    ReasonCode.READ_BACK_WRONG: "copy off what is on it and take it out of use",
    ReasonCode.AGED: "soak it again",
    ReasonCode.OTHER_PATH: "soak it over the path it is used on",
    ReasonCode.OTHER_FILE_SYSTEM: "soak it through the file system it is used with",
    ReasonCode.WRONG_SIDE: "run the probe of the other side",
    ReasonCode.DEBT: "erase it in the recorder, or let it rest",
    ReasonCode.REHEARSED: "soak it as well, so that its floor is known",
    ReasonCode.NO_EVIDENCE: "soak it",
}

_SHAPES = {
    Shape.ONE_CLIFF: "its own cache: past the cliff it writes at the rate of the flash beneath",
    Shape.SEVERAL_CLIFFS: "its own cache, which gives way in several steps",
    Shape.PERIODIC_DIPS: "dips that come back regularly",
    Shape.THERMAL_SAG: "a rate that sags and recovers as with heat",
    Shape.SLOW_SLIDE: "a slow slide without a step",
    Shape.INNER_TRACKS: "its inner tracks, slower than the outer ones",
    Shape.LONG_STALLS: "stalls of whole seconds",
    Shape.UNEVEN: "an uneven rate",
}


def verdict(judged: Fit, figures: Figures | None = None, *, subject: str | None = None) -> str:
    """Write a verdict.

    Args:
        judged: The judgement.
        figures: The probe's figures, for spread, cliff and what limits; None without a probe.
        subject: What was judged, such as a drive's model and serial or a path.

    Returns:
        Some ten lines, no wider than their longest sentence, without a trailing line end.
    """
    name = f"{subject}: " if subject else ""
    lines = [f"{name}{judged.standing.upper()} for {judged.demand.name}", f"  {judged.reasons[0].sentence}"]
    if judged.rule:
        lines.append(f"  {judged.rule}")
    lines.append("")
    rows = _numbers(judged, figures) + _limits(judged, figures)
    lines += [f"  {label:<{_LABEL_WIDTH}}{text}" for label, text in rows]
    return "\n".join(lines)


def _numbers(judged: Fit, figures: Figures | None) -> list[tuple[str, str]]:
    rows = [("asked", asked_sentence(judged))]
    if judged.floor_bytes_per_s is not None:
        margin = f", margin {judged.margin:+.0%}" if judged.margin is not None else ""
        share = figures.spread.robust_share if figures else None
        spread = f", spread {share:.1%}" if share is not None else ""
        rows.append(("floor", f"{spoken_rate(judged.floor_bytes_per_s)}{margin}{spread}"))
    for cliff in figures.cliffs if figures else ():
        before, after = spoken_rate(cliff.before_bytes_per_s), spoken_rate(cliff.after_bytes_per_s)
        rows.append(("cliff", f"at {spoken_bytes(cliff.at_bytes)}, from {before} to {after}"))
    rows.append(("from rest", judged.from_rest.sentence))
    if judged.cache_spent is not None and judged.cache_spent.kind is MinutesKind.LOST_AFTER:
        rows.append(("if spent", f"a take begun past the cliff: {judged.cache_spent.sentence}"))
    if judged.demand.take_s is None:
        rows.append(("whole", judged.whole_medium.sentence))
    return rows


def _limits(judged: Fit, figures: Figures | None) -> list[tuple[str, str]]:
    rows = [("limit", limit_sentence(judged, figures))]
    if judged.reach is not None:
        rows.append(("reach", reach_sentence(judged.reach, standing=judged.standing)))
    rows.append(("age", age_sentence(judged.age_days)))
    rows += [("note", each.sentence) for each in judged.reasons[1:]]
    rows.append(("next", next_step(judged)))
    return rows


def asked_sentence(judged: Fit) -> str:
    """Say what was asked: rate, headroom, buffer and length."""
    demand = judged.demand
    rate = spoken_rate(demand.rate_bytes_per_s)
    headroom = ""
    if demand.headroom > 1:
        headroom = f", {spoken_rate(demand.demand_bytes_per_s)} with headroom {demand.headroom:g}"
    take = "the whole medium" if demand.take_s is None else f"takes of {spoken_minutes(demand.take_s / 60)}"
    rest = (
        f" after {spoken_minutes(demand.rest_before_take_s / 60)} of rest"
        if demand.rest_before_take_s
        else ""
    )
    return f"{demand.side} {rate}{headroom}, buffer {demand.buffer_s:g} s, {take}{rest}"


def limit_sentence(judged: Fit, figures: Figures | None) -> str:
    """Say what limits the rate, as far as one probe shows it."""
    if judged.path_limited and judged.reach is not None:
        return f"the link, {judged.reach.path_name}, not the drive"
    if figures is None:
        return "not known"
    longest_s = figures.stalls.longest_s
    if longest_s is not None and longest_s >= judged.demand.buffer_s and judged.standing is not Standing.FIT:
        period = f", every {figures.stalls.period_s:.3g} s" if figures.stalls.period_s else ""
        return f"{figures.stalls.count} stalls, the longest {longest_s:.2g} s{period}"
    if figures.pattern.shape in _SHAPES:
        return _SHAPES[figures.pattern.shape]
    lasting = spoken_rate(figures.lasting_bytes_per_s)
    return f"its steady rate, {lasting}" if figures.pattern.shape is Shape.FLAT else "too short to tell"


def reach_sentence(reach: Reach, *, standing: Standing = Standing.FIT) -> str:
    """Say what the evidence covers: `proven to 410 GB, to 51 C, from empty, over USB 10 Gb/s`.

    Args:
        reach: The reach.
        standing: A fit is proven; of any other the same sides are only shown.
    """
    word = "proven" if standing is Standing.FIT else "shown"
    parts = [f"{word} to {spoken_bytes(reach.written_bytes)}"]
    if reach.hottest_c is not None:
        parts.append(f"to {reach.hottest_c:.0f} C")
    if reach.fill_start is not None:
        empty = reach.fill_start <= EMPTY_SHARE
        parts.append("from empty" if empty else f"from {reach.fill_start:.0%} full")
    if reach.rest_before_s:
        parts.append(f"after {spoken_minutes(reach.rest_before_s / 60)} of rest")
    if reach.position_end is not None:
        parts.append(f"tracks {reach.position_start or 0.0:.0%} to {reach.position_end:.0%} of the way in")
    parts.append(f"over {reach.path_name}")
    if reach.file_system:
        layout = f" ({reach.layout})" if reach.layout else ""
        parts.append(f"through {reach.file_system}{layout}")
    unknown = [
        name
        for name, value in (
            ("heat", reach.hottest_c),
            ("fill", reach.fill_start),
            ("rest", reach.rest_before_s),
        )
        if value is None
    ]
    missing = f"; not read: {', '.join(unknown)}" if unknown else ""
    return ", ".join(parts) + missing


def age_sentence(age_days: float | None) -> str:
    """Say how old the evidence is."""
    if age_days is None:
        return "just now"
    if age_days < 1:
        return "today"
    return "1 day" if age_days < 2 else f"{age_days:.0f} days"


def next_step(judged: Fit) -> str:
    """Say the one thing to do."""
    if judged.has(ReasonCode.LINK_BELOW_BEST) and judged.standing is not Standing.FIT:
        return "try another cable, port or reader, then probe again"
    code = judged.reasons[0].code
    if code is ReasonCode.LOWERED_LATER and len(judged.reasons) > 1:
        code = judged.reasons[1].code
    if code is ReasonCode.BELOW_RATE:
        return _next_below_rate(judged)
    return _NEXT.get(code, "soak it")


def _next_below_rate(judged: Fit) -> str:
    if judged.standing is Standing.MARGINAL:
        return "keep to the rule above, or use a faster drive"
    if judged.path_limited:
        return "probe it over a faster link"
    if judged.floor_bytes_per_s is None:
        return "use another drive"
    carried = spoken_rate(judged.floor_bytes_per_s / judged.demand.headroom)
    return f"use another drive, or give this one a role of up to {carried}"


def list_text(judged: Sequence[Fit]) -> str:
    """Write fits as a list, one line each, in the order given.

    Args:
        judged: Fits of one probe, as `fit_list` gives them.

    Returns:
        A heading and a line each: standing, margin, asked, floor, how long, name.
    """
    lines = [f"{'standing':<9} {'margin':>7} {'asked':>11} {'floor':>11}  {'how long':<24} recording"]
    for each in judged:
        margin = "" if each.margin is None else f"{each.margin:+.0%}"
        floor = "" if each.floor_bytes_per_s is None else spoken_rate(each.floor_bytes_per_s)
        asked = spoken_rate(each.demand.demand_bytes_per_s)
        lines.append(
            f"{each.standing:<9} {margin:>7} {asked:>11} {floor:>11}  "
            f"{short_minutes(each.from_rest):<24} {each.demand.name}"
        )
    return "\n".join(lines)


def short_minutes(answer: HowLong) -> str:
    """Write how long in a few words: `lost after 14 min`, `proven for 5.4 min`, `no end`."""
    if answer.kind is MinutesKind.UNLIMITED:
        return "no end"
    if answer.minutes is None:
        return "not known"
    word = "lost after" if answer.kind is MinutesKind.LOST_AFTER else "proven for"
    return f"{word} {spoken_minutes(answer.minutes)}"
