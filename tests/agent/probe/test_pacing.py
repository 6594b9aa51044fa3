"""The recorder that a rehearsal plays."""

from ebbmark_agent.probe.pacing import Recorder
from hypothesis import given
from hypothesis import strategies as st

MB = 1_000_000


def recorder(**changes: float) -> Recorder:
    """100 MB/s, 25 frames of 4 MB a second, one second of buffer, ten seconds of take."""
    facts = {
        "rate_bytes_per_s": 100.0 * MB,
        "frames_per_s": 25.0,
        "buffer_bytes": 100.0 * MB,
        "total_bytes": 1000 * MB,
    }
    return Recorder(**{**facts, **changes})  # type: ignore[arg-type]


def test_a_drive_that_keeps_up_loses_no_frame() -> None:
    """Writes that complete 20 ms after their frame leave the buffer almost empty."""
    played = recorder()
    for frame in range(1, 251):
        played.completed(played.due_s(frame * 4 * MB) + 0.02, frame * 4 * MB)

    assert played.frames == 250
    assert played.late_frames == 0
    assert played.high_water_bytes == 4 * MB


def test_bytes_are_due_when_their_frame_is_complete() -> None:
    """The first byte of frame 3 is there only with the whole of frame 3: 3/25 s after the begin."""
    played = recorder()

    assert played.due_s(8 * MB + 1) == 3 / 25
    assert played.due_s(8 * MB) == 2 / 25


def test_a_stall_within_the_buffer_is_carried() -> None:
    """A stall of 0.8 s puts 80 MB and the frame in hand into a buffer of 100 MB: nothing is late."""
    played = recorder()
    played.completed(0.04, 4 * MB)
    played.completed(0.88, 8 * MB)

    assert played.late_frames == 0
    assert played.high_water_bytes == 84 * MB


def test_a_stall_beyond_the_buffer_costs_its_frames() -> None:
    """A stall of 1.48 s lets 37 frames come after the first; 25 fit into 100 MB; 12 are late.

    Worked by hand: after frame 1 is on the medium the buffer holds frames 2 to 26, so 27 to 38 find it full.
    """
    played = recorder()
    played.completed(0.04, 4 * MB)
    played.completed(1.52, 8 * MB)

    assert played.frames == 38
    assert played.late_frames == 12
    assert played.high_water_bytes == 148 * MB


def test_a_late_frame_counts_once() -> None:
    """While the backlog drains, frames already counted as late are not counted again."""
    played = recorder()
    played.completed(0.04, 4 * MB)
    played.completed(1.52, 8 * MB)
    played.completed(1.53, 150 * MB)
    played.completed(1.54, 152 * MB)

    assert played.late_frames == 12


@given(stall_s=st.floats(min_value=0.0, max_value=5.0), buffer_s=st.floats(min_value=0.1, max_value=4.0))
def test_frames_are_late_only_beyond_the_buffer(stall_s: float, buffer_s: float) -> None:
    """One stall costs frames if and only if it outlasts the buffer, to a frame."""
    played = recorder(buffer_bytes=buffer_s * 100 * MB)
    played.completed(0.04, 4 * MB)
    played.completed(0.04 + stall_s, 8 * MB)

    if stall_s < buffer_s - 0.04:
        assert played.late_frames == 0
    if stall_s > buffer_s + 0.04:
        assert played.late_frames > 0
