"""What time does to a standing: evidence ages, and later spots and takes may lower it but never raise it."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from ebbmark_agent.evidence.standing import Fit, Reason, ReasonCode, Standing

SECONDS_A_DAY = 86_400.0
_LOWNESS = {Standing.FIT: 0, Standing.UNPROVEN: 0, Standing.MARGINAL: 1, Standing.UNFIT: 2}


def lowered_by(base: Fit, later: Sequence[Fit]) -> Fit:
    """Let later evidence lower a standing.

    Args:
        base: The fit of the latest soak.
        later: Fits of later spots and takes against the same demand; those over another path do not count.

    Returns:
        The base, or the base with the lowest standing shown, its floor and its reasons in front. An unproven
        one among the later shows nothing and lowers nothing.
    """
    over_path = [each for each in later if _like_path(base, each)]
    worst = max(over_path, key=lambda each: _LOWNESS[each.standing], default=None)
    if worst is None or _LOWNESS[worst.standing] <= _LOWNESS[base.standing]:
        return base
    reason = Reason(
        code=ReasonCode.LOWERED_LATER,
        sentence=f"later evidence shows less than the soak: {worst.reasons[0].sentence}",
    )
    return replace(
        base,
        standing=worst.standing,
        floor_bytes_per_s=worst.floor_bytes_per_s,
        rule=worst.rule,
        reasons=(reason, *worst.reasons, *base.reasons),
    )


def _like_path(base: Fit, later: Fit) -> bool:
    return base.reach is None or later.reach is None or base.reach.path_key == later.reach.path_key


def aged(judged: Fit, *, now: datetime | None, validity_days: float | None) -> Fit:
    """Give a fit the age of its evidence, and let it age into unproven.

    Args:
        judged: A fit as of its probe.
        now: The instant its age is counted to, aware, UTC; None: the age is not judged.
        validity_days: How long such evidence speaks for a drive [days]; None: for good.

    Returns:
        The fit with its age. Past the validity, fit and marginal become unproven; a shown failure stays, for
        no drive gets better by lying about.
    """
    started = judged.reach.started_at if judged.reach else None
    if now is None or started is None:
        return judged
    age_days = max(0.0, (now - started).total_seconds() / SECONDS_A_DAY)
    judged = replace(judged, age_days=age_days)
    if validity_days is None or age_days <= validity_days:
        return judged
    reason = Reason(
        code=ReasonCode.AGED,
        sentence=f"the evidence is {age_days:.0f} days old and speaks for {validity_days:.0f}; "
        f"it last showed {judged.standing}",
    )
    if judged.standing in {Standing.FIT, Standing.MARGINAL}:
        return replace(judged, standing=Standing.UNPROVEN, reasons=(reason, *judged.reasons))
    return replace(judged, reasons=(*judged.reasons, reason))
