"""The slowest end of a trace: a lasting rate that no change point has a say in.

The lasting rate is the mean of the last plateau, and where that begins is an estimate: one block slowed just
before a cliff may move it, and let the mean after it rise. The mean from a given byte to the end cannot rise
when any block is slowed. The least of those means, over every end that holds at least a fifth of the bytes,
keeps a drive from standing better for having stalled.
"""

from ebbmark_agent.evidence.trace import Trace

LEAST_END_SHARE = 0.2  # [1] of the bytes: shorter ends are a stall's or the buffer's business


def slowest_end_bytes_per_s(trace: Trace) -> float:
    """Give the least mean rate from any byte to the end, over ends of at least a fifth of the bytes.

    Args:
        trace: The trace.

    Returns:
        The rate [bytes/s]; never above the trace's mean.

    Source:
        Own. Between points both bytes and time are linear, so the least lies on a point or on the last byte
        that leaves a fifth.
    """
    total, end_s = trace.written_bytes, trace.duration_s
    last_byte = total * (1.0 - LEAST_END_SHARE)
    least = trace.mean_bytes_per_s
    before_s, before_byte = 0.0, 0.0
    for at_s, at_byte in zip(trace.times_s, trace.total_bytes, strict=True):
        if at_byte > last_byte:
            share = (last_byte - before_byte) / (at_byte - before_byte)
            edge_s = before_s + share * (at_s - before_s)
            return min(least, (total - last_byte) / (end_s - edge_s))
        if at_s < end_s:
            least = min(least, (total - at_byte) / (end_s - at_s))
        before_s, before_byte = at_s, at_byte
    return least
