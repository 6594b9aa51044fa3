"""Judges a rehearsal: a probe paced at a rate, with the recorder's buffer, that counts frames that came late.

What it shows holds for its rate, its buffer and its heat, and for nothing else: unlike a greedy probe it lets
the drive tidy up in the gaps, so it may pass where the greedy floor is too low.
"""

from dataclasses import dataclass

from ebbmark_agent.evidence.demand import Demand
from ebbmark_agent.evidence.probe_evidence import ProbeEvidence
from ebbmark_agent.evidence.probe_words import ProbeOutcome
from ebbmark_agent.evidence.reach import covers_whole_medium
from ebbmark_agent.evidence.spoken import spoken_bytes, spoken_rate

RATE_SLACK = 0.001  # [1] pacing by whole frames misses a rate by this much at most


@dataclass(frozen=True, kw_only=True)
class Rehearsed:
    """What a rehearsal says to a demand.

    Attributes:
        passed: It ran at the demand's rate over all that the role fills, and no frame came late.
        failed: Frames came late at no more than the demand's rate and no less buffer.
        sentence: What it showed, in words.
    """

    passed: bool
    failed: bool
    sentence: str


def judge_rehearsal(
    evidence: ProbeEvidence, demand: Demand, *, fills_bytes: float | None = None
) -> Rehearsed:
    """Judge a rehearsal against a demand.

    Args:
        evidence: The rehearsal, with its counts.
        demand: What is asked. A rehearsal is paced at the rate; headroom is not asked of it.
        fills_bytes: What the role will fill [bytes]; None: the whole volume.

    Returns:
        Passed, failed, or neither (gave way, another rate, too little written), with a sentence.

    Raises:
        ValueError: If the evidence carries no counts of a rehearsal.
    """
    facts = evidence.rehearsal
    if facts is None:
        raise ValueError("this probe was no rehearsal: it carries no counts of frames")
    shown = (
        f"rehearsed at {spoken_rate(facts.rate_bytes_per_s)} over "
        f"{spoken_bytes(evidence.figures.total_bytes)}: {facts.late_frames} of {facts.frames} frames late, "
        f"at most {spoken_bytes(facts.high_water_bytes)} of {spoken_bytes(facts.buffer_bytes)} waiting"
    )
    if facts.seams:
        shown += f", {facts.seams} seams, the longest {facts.longest_seam_s:.2g} s"
    if facts.frames == 0 or evidence.outcome is not ProbeOutcome.COMPLETED:
        return Rehearsed(passed=False, failed=False, sentence=f"{shown}; it did not run to its end")
    fast_enough = facts.rate_bytes_per_s >= demand.rate_bytes_per_s * (1 - RATE_SLACK)
    if facts.late_frames:
        slow_enough = facts.rate_bytes_per_s <= demand.rate_bytes_per_s * (1 + RATE_SLACK)
        held_enough = facts.buffer_bytes >= demand.buffer_bytes * (1 - RATE_SLACK)
        return Rehearsed(passed=False, failed=slow_enough and held_enough, sentence=shown)
    if not fast_enough:
        return Rehearsed(passed=False, failed=False, sentence=f"{shown}; slower than what is asked")
    if facts.high_water_bytes > demand.buffer_bytes * (1 + RATE_SLACK):
        return Rehearsed(passed=False, failed=False, sentence=f"{shown}; with more buffer than the role has")
    if not _long_enough(evidence, demand, fills_bytes):
        return Rehearsed(passed=False, failed=False, sentence=f"{shown}; shorter than what the role fills")
    return Rehearsed(passed=True, failed=False, sentence=shown)


def _long_enough(evidence: ProbeEvidence, demand: Demand, fills_bytes: float | None) -> bool:
    """Tell whether a rehearsal wrote a whole take, or the whole medium where takes have no length."""
    if demand.take_bytes is not None:
        return evidence.figures.total_bytes >= demand.take_bytes * (1 - RATE_SLACK)
    return covers_whole_medium(evidence, fills_bytes=fills_bytes)
