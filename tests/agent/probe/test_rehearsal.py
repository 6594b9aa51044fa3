"""The rehearsal: deadlines kept and missed, seams, portions that suit the buffer."""

from pathlib import Path

import pytest
from ebbmark_agent.errors import ConfigurationError
from ebbmark_agent.platforms import this_platform
from ebbmark_agent.probe import run_probe
from ebbmark_agent.probe.rehearsal import block_bytes, segment_bytes
from ebbmark_agent.report import ProbeKind, ProbeOutcome, ProbeResult, RehearsalFigures

from tests.rigs.curve import Curve
from tests.rigs.loop_drive import loop_drive
from tests.rigs.probing import probe_drive, request_on, traces_of

MB = 1_000_000


def figures(result: ProbeResult) -> RehearsalFigures:
    """The figures a rehearsal must have."""
    assert result.rehearsal is not None
    return result.rehearsal


def test_a_rehearsal_keeps_the_roles_rate(tmp_path: Path) -> None:
    """On a drive far faster than the role, writing lasts as long as the take, with no frame late.

    Two seconds at 20 MB/s with 25 frames a second are 50 frames.
    """
    result = run_probe(
        request_on(
            tmp_path, kind=ProbeKind.REHEARSAL, rate_bytes_per_s=20.0 * MB, duration_s=2.0, buffer_s=2.0
        ),
        platform=this_platform(),
    )

    assert result.outcome is ProbeOutcome.COMPLETED
    assert figures(result).frames == 50
    assert figures(result).late_frames == 0
    assert traces_of(result)[0].duration_s >= 1.9
    assert result.bytes_written == 40 * MB // 4096 * 4096
    assert result.read_back_ok


@pytest.mark.rig
@pytest.mark.usefixtures("rig")
def test_a_stall_is_carried_by_a_buffer_or_costs_frames() -> None:
    """Stalls of 0.8 s: a buffer of two seconds carries them, one of 0.3 s loses frames."""
    with loop_drive(Curve.flat(200 * MB, stall_every_s=1.5, stall_for_s=0.8), size_bytes=1 << 30) as drive:
        carried, lost = (
            figures(
                probe_drive(
                    drive,
                    kind=ProbeKind.REHEARSAL,
                    rate_bytes_per_s=50.0 * MB,
                    duration_s=5.0,
                    buffer_s=buffer_s,
                    read_back=False,
                )
            )
            for buffer_s in (2.0, 0.3)
        )

    assert carried.late_frames == 0
    assert 0.7 * 50 * MB < carried.high_water_bytes < 1.4 * 50 * MB
    assert lost.late_frames > 0
    assert lost.high_water_bytes > lost.buffer_bytes


@pytest.mark.rig
@pytest.mark.usefixtures("rig")
def test_a_drive_slower_than_the_role_loses_frames() -> None:
    """40 MB/s for a role of 60 MB/s with one second of buffer: frames are late from the fourth second on.

    The buffer of 60 MB fills at 20 MB/s in 3 s; of the 6 s take the last 3 s, 75 frames, find it full.
    """
    with loop_drive(Curve.flat(40 * MB), size_bytes=1 << 30) as drive:
        result = probe_drive(
            drive,
            kind=ProbeKind.REHEARSAL,
            rate_bytes_per_s=60.0 * MB,
            duration_s=6.0,
            buffer_s=1.0,
            read_back=False,
        )

    assert figures(result).frames == 150
    assert 55 <= figures(result).late_frames <= 90


def test_segments_are_counted_and_read_back_as_one(tmp_path: Path) -> None:
    """A take of 40 MB in segments of 12 MB has three seams, and every byte comes back right."""
    result = run_probe(
        request_on(
            tmp_path,
            kind=ProbeKind.REHEARSAL,
            rate_bytes_per_s=80.0 * MB,
            max_bytes=40 * MB,
            segment_bytes=12 * MB,
        ),
        platform=this_platform(),
    )

    assert figures(result).seams == 3
    assert figures(result).longest_seam_s > 0
    assert result.read_back_ok
    assert result.bytes_read == result.bytes_written
    assert list(tmp_path.iterdir()) == []


def test_a_rehearsal_needs_a_rate(tmp_path: Path) -> None:
    """Without a rate the request does not hold together, and nothing is written."""
    with pytest.raises(ConfigurationError, match="rate"):
        run_probe(request_on(tmp_path, kind=ProbeKind.REHEARSAL, max_bytes=8 * MB), platform=this_platform())

    assert list(tmp_path.iterdir()) == []


def test_more_seams_than_open_files_are_refused(tmp_path: Path) -> None:
    """A take in thousands of segments is refused with what to do."""
    with pytest.raises(ConfigurationError, match="shorter take"):
        run_probe(
            request_on(
                tmp_path,
                kind=ProbeKind.REHEARSAL,
                rate_bytes_per_s=1e8,
                max_bytes=64 << 20,
                segment_bytes=64 << 10,
            ),
            platform=this_platform(),
        )


@pytest.mark.parametrize(
    ("rate", "buffer_s", "expected"),
    [
        (400.0 * MB, 1.0, 4 << 20),
        (20.0 * MB, 1.0, 512 << 10),
        (100.0 * MB, 0.1, 2 << 20),
        (1.0 * MB, 1.0, 64 << 10),
    ],
)
def test_portions_leave_the_buffer_room(rate: float, buffer_s: float, expected: int) -> None:
    """A write holds 50 ms of stream, a quarter of the buffer at most, within the sizes a drive likes."""
    request = request_on(Path("/volume"), kind=ProbeKind.REHEARSAL, buffer_s=buffer_s)

    assert block_bytes(request, rate) == expected


def test_the_shorter_of_two_segment_rules_holds() -> None:
    """Five minutes at 100 MB/s are 30 GB; a rule of 4 GB comes first, in whole pages."""
    request = request_on(Path("/volume"), kind=ProbeKind.REHEARSAL, segment_s=300.0, segment_bytes=4 * 10**9)

    assert segment_bytes(request, 1e8) == 4 * 10**9 // 4096 * 4096
