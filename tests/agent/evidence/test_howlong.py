"""How long: the replay of a trace under a recorder that never pauses."""

import math

import pytest
from ebbmark_agent.evidence import (
    MinutesKind,
    Trace,
    coarse_traces,
    floor,
    how_long,
    read_trace,
    replay,
    spoken_minutes,
)
from hypothesis import given
from hypothesis import strategies as st

from tests.agent.evidence.judging import GB, MB, asked, staged

steps = st.lists(
    st.tuples(st.floats(0.01, 5.0), st.floats(0.0, 500.0)).filter(lambda step: step[1] > 0 or step[0] < 5),
    min_size=1,
    max_size=40,
)


def _trace(taken: list[tuple[float, float]]) -> Trace:
    times, totals = [0.0], [0.0]
    for seconds, megabytes in taken:
        times.append(times[-1] + seconds)
        totals.append(totals[-1] + megabytes * MB)
    return Trace.from_points(times, totals)


@pytest.mark.parametrize("block_mb", [1.0, 8.0, 64.0, 500.0])
def test_one_cliff_by_hand(block_mb: float) -> None:
    """2 GB at 400, then 60 MB/s, asked for 100 MB/s with 100 MB of buffer: 20 s and 2.5 s."""
    found = how_long(staged((400 * MB, 2 * GB), (60 * MB, 6 * GB), block_bytes=block_mb * MB), asked(100))

    assert found.kind is MinutesKind.LOST_AFTER
    assert found.minutes == pytest.approx(22.5 / 60)
    assert found.at_byte == pytest.approx(2.15 * GB)


@given(
    cache_gb=st.floats(0.1, 50),
    rate_mb=st.floats(70, 390),
    buffer_s=st.floats(0, 5),
)
def test_the_closed_form_of_one_cliff(cache_gb: float, rate_mb: float, buffer_s: float) -> None:
    """With one cliff at C and a floor f it is C/R + B/(R-f)."""
    trace = Trace.from_points(
        [0, cache_gb * GB / (400 * MB), cache_gb * GB / (400 * MB) + 1e5],
        [0, cache_gb * GB, cache_gb * GB + 1e5 * 60 * MB],
    )
    buffer_bytes = rate_mb * MB * buffer_s
    expected = cache_gb * GB / (rate_mb * MB) + buffer_bytes / ((rate_mb - 60) * MB)

    found = replay(trace, rate_bytes_per_s=rate_mb * MB, buffer_bytes=buffer_bytes)

    assert found.lost_at_s == pytest.approx(expected, rel=1e-6, abs=1e-6)


def test_a_trace_without_loss_proves_its_length() -> None:
    """49 GB at 190 MB/s carry 150 MB/s for 49 GB / 150 MB/s and no longer."""
    found = how_long(staged((190 * MB, 49 * GB)), asked(150))

    assert found.kind is MinutesKind.PROVEN_FOR
    assert found.minutes == pytest.approx(49e9 / 150e6 / 60)


def test_a_debt_shortens() -> None:
    """With 1 GB of the cache spent, the first take is lost 10 s earlier."""
    trace = staged((400 * MB, 2 * GB), (60 * MB, 6 * GB))
    found = how_long(trace, asked(100), debt_bytes=1 * GB)

    assert found.minutes == pytest.approx(12.5 / 60)
    assert "owed" in found.sentence


def test_a_debt_that_ends_inside_a_block_keeps_the_blocks_rate() -> None:
    """Half a block that is spent takes half its time with it: 500 MB in 5 s carry 80 MB/s."""
    found = how_long(Trace.from_points([0, 10], [0, GB]), asked(80), debt_bytes=GB / 2)

    assert found.kind is MinutesKind.PROVEN_FOR
    assert found.minutes == pytest.approx(0.5 * GB / (80 * MB) / 60)


def test_a_debt_as_large_as_the_trace_proves_nothing() -> None:
    """Where all that was shown is spent, nothing is proven."""
    found = how_long(staged((400 * MB, 2 * GB)), asked(100), debt_bytes=3 * GB)

    assert found.kind is MinutesKind.PROVEN_FOR
    assert found.minutes == 0


def test_a_pause_ends_the_proof() -> None:
    """Over a pause nothing is joined: only the first segment proves minutes."""
    segment = staged((200 * MB, 10 * GB))
    found = how_long([segment, segment], asked(100))

    assert found.kind is MinutesKind.PROVEN_FOR
    assert found.minutes == pytest.approx(100 / 60)
    assert "pause" in found.sentence


def test_a_loss_after_a_pause_counts() -> None:
    """A later segment that loses is a loss, after what was written before it."""
    found = how_long([staged((200 * MB, 10 * GB)), staged((60 * MB, 6 * GB))], asked(100))

    assert found.kind is MinutesKind.LOST_AFTER
    assert found.minutes == pytest.approx(102.5 / 60)


def test_unlimited_is_the_callers_word_and_never_covers_a_loss() -> None:
    """A settled trace has no end, but one that loses is lost whatever was claimed."""
    fast, slow = staged((200 * MB, 10 * GB)), staged((60 * MB, 10 * GB))

    assert how_long(fast, asked(100), unlimited=True).kind is MinutesKind.UNLIMITED
    assert how_long(fast, asked(100), unlimited=True).minutes is None
    assert how_long(slow, asked(100), unlimited=True).kind is MinutesKind.LOST_AFTER


@given(steps, st.floats(1, 400), st.floats(0, 800))
def test_lost_exactly_where_the_floor_is_below_the_rate(
    taken: list[tuple[float, float]], rate_mb: float, buffer_mb: float
) -> None:
    """The replay loses frames if and only if the uncapped floor at the same buffer is below the rate."""
    if sum(megabytes for _, megabytes in taken) <= 0:
        return
    trace = _trace(taken)
    uncapped = floor(trace, buffer_bytes=buffer_mb * MB).uncapped_bytes_per_s
    assert uncapped is not None
    if math.isclose(uncapped, rate_mb * MB, rel_tol=1e-6):
        return

    found = replay(trace, rate_bytes_per_s=rate_mb * MB, buffer_bytes=buffer_mb * MB)

    assert (found.lost_at_s is not None) is (uncapped < rate_mb * MB)


@given(steps, st.floats(1, 400), st.floats(0, 800), st.floats(0, 800))
def test_more_buffer_never_loses_earlier(
    taken: list[tuple[float, float]], rate_mb: float, one_mb: float, other_mb: float
) -> None:
    """A larger buffer holds at least as long."""
    if sum(megabytes for _, megabytes in taken) <= 0:
        return
    trace = _trace(taken)
    less, more = (
        replay(trace, rate_bytes_per_s=rate_mb * MB, buffer_bytes=each * MB)
        for each in sorted((one_mb, other_mb))
    )

    assert more.recorded_s >= less.recorded_s - 1e-9
    assert less.lost_at_s is not None or more.lost_at_s is None


@given(steps, st.floats(1, 400), st.floats(0, 800), st.integers(2, 5))
def test_splitting_steps_changes_nothing(
    taken: list[tuple[float, float]], rate_mb: float, buffer_mb: float, parts: int
) -> None:
    """Blocks split at equal speed give the same loss at the same time."""
    if sum(megabytes for _, megabytes in taken) <= 0:
        return
    split = [(seconds / parts, megabytes / parts) for seconds, megabytes in taken for _ in range(parts)]
    whole, cut = (
        replay(_trace(each), rate_bytes_per_s=rate_mb * MB, buffer_bytes=buffer_mb * MB)
        for each in (taken, split)
    )
    if abs(whole.high_water_bytes - buffer_mb * MB) < 1:
        return  # just full: rounding decides

    assert cut.lost_at_s == (None if whole.lost_at_s is None else pytest.approx(whole.lost_at_s, abs=1e-6))
    assert cut.recorded_s == pytest.approx(whole.recorded_s, abs=1e-6)


@given(steps, st.floats(1, 400))
def test_the_recorders_clock_is_its_bytes_over_its_rate(
    taken: list[tuple[float, float]], rate_mb: float
) -> None:
    """Without a loss, what was recorded is what was written plus what waits, at the recorder's rate."""
    if sum(megabytes for _, megabytes in taken) <= 0:
        return
    trace = _trace(taken)
    found = replay(trace, rate_bytes_per_s=rate_mb * MB, buffer_bytes=1e18)

    assert found.recorded_s * rate_mb * MB >= trace.written_bytes - 1
    assert found.at_byte == pytest.approx(trace.written_bytes)


def test_a_rate_of_zero_is_refused() -> None:
    """A recorder that records nothing has no replay."""
    with pytest.raises(ValueError, match="rate above zero"):
        replay(staged((MB, MB)), rate_bytes_per_s=0, buffer_bytes=0)


def test_no_trace_is_refused() -> None:
    """Without a trace the answer is an error, not a number."""
    with pytest.raises(ValueError, match="no trace"):
        how_long([], asked(100))


def test_figures_alone_still_tell_how_long() -> None:
    """From the figures of a thinned probe the loss comes out within half a percent of the full trace's."""
    trace = staged((400 * MB, 20 * GB), (60 * MB, 20 * GB))
    full = how_long(trace, asked(100))
    kept = how_long(coarse_traces(read_trace([trace])), asked(100))

    assert kept.kind is full.kind
    assert kept.minutes == pytest.approx(full.minutes, rel=0.005)


@pytest.mark.parametrize(
    ("minutes", "words"),
    [
        (22.5 / 60, "22.5 s"),
        (1.999, "119.9 s"),
        (5.444, "5.4 min"),
        (9.99, "9.9 min"),
        (14.97, "14 min"),
        (200, "3 h 20 min"),
        (180, "3 h"),
        (0, "0 s"),
    ],
)
def test_minutes_are_rounded_down(minutes: float, words: str) -> None:
    """A length told to people is never longer than what was shown."""
    assert spoken_minutes(minutes) == words
