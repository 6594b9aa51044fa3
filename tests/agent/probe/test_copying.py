"""The copy test: a copy's seconds, average and largest drop; and the reading side."""

import os
from pathlib import Path

import pytest
from ebbmark_agent.errors import NotAVolumeError
from ebbmark_agent.evidence import Trace
from ebbmark_agent.platforms import this_platform
from ebbmark_agent.probe import largest_drop, run_probe
from ebbmark_agent.report import FileLayout, ProbeKind, ProbeOutcome

from tests.rigs.curve import Curve
from tests.rigs.loop_drive import loop_drive
from tests.rigs.probing import probe_drive, request_on, traces_of

MB = 1_000_000


@pytest.mark.rig
@pytest.mark.usefixtures("rig")
def test_a_copy_runs_at_the_drives_rate_not_the_memorys() -> None:
    """400 MB copied onto a drive of 40 MB/s take ten seconds, though memory would take them in one.

    A copy costs processor time by the byte, so a slow drive leaves a busy machine enough of it.
    """
    with loop_drive(Curve.flat(40 * MB), size_bytes=1 << 30) as drive:
        _, before = drive.counters()
        result = probe_drive(drive, kind=ProbeKind.COPY, max_bytes=400 * MB)
        _, after = drive.counters()
        taken_in = drive.witnessed_bytes_per_s(0, 400 * MB)

    (trace,) = traces_of(result)

    assert result.outcome is ProbeOutcome.COMPLETED
    assert result.layout is FileLayout.APPENDED
    assert 0.75 * 40 * MB < taken_in < 1.03 * 40 * MB
    assert trace.mean_bytes_per_s == pytest.approx(taken_in, rel=0.03)
    assert after - before == pytest.approx(400 * MB, rel=0.01)


@pytest.mark.rig
@pytest.mark.usefixtures("rig")
def test_a_drop_is_found_where_it_was() -> None:
    """A copy that meets a cliff after 300 MB has its largest drop beyond it."""
    with loop_drive(Curve.cliff(fast=200 * MB, at_bytes=300 * MB, slow=40 * MB), size_bytes=1 << 30) as drive:
        result = probe_drive(drive, kind=ProbeKind.COPY, max_bytes=450 * MB)

    drop = largest_drop(traces_of(result)[0])

    assert drop is not None
    assert drop.at_byte > 280 * MB
    assert drop.rate_bytes_per_s < 60 * MB
    assert drop.below_mean > 0.3


def test_a_real_file_is_copied_whole(tmp_path: Path) -> None:
    """Copying a file of a person's own writes exactly its bytes and leaves it alone."""
    source = tmp_path / "clip"
    source.write_bytes(os.urandom(20 << 20))
    result = run_probe(
        request_on(tmp_path, kind=ProbeKind.COPY, max_bytes=64 << 20, source=source),
        platform=this_platform(),
    )

    assert result.bytes_written == 20 << 20
    assert source.stat().st_size == 20 << 20
    assert [path.name for path in tmp_path.iterdir()] == ["clip"]


def test_the_largest_drop_by_hand() -> None:
    """100, 100, 40, 100, 60 MB second by second: the drop is the third, at 200 MB, half the mean."""
    trace = Trace.from_points([0, 1, 2, 3, 4, 5], [0, 100 * MB, 200 * MB, 240 * MB, 340 * MB, 400 * MB])
    drop = largest_drop(trace)

    assert drop is not None
    assert drop.at_byte == 200 * MB
    assert drop.rate_bytes_per_s == 40 * MB
    assert drop.below_mean == pytest.approx(0.5)


def test_a_copy_shorter_than_a_drop_has_none() -> None:
    """What is over in less than a second cannot be felt to drop."""
    assert largest_drop(Trace.from_points([0, 0.5], [0, 100])) is None


def test_reading_takes_the_largest_files_first(tmp_path: Path) -> None:
    """Offload is timed on what fills the medium: big files; small ones would time their opening."""
    for name, mebibytes in (("small", 1), ("b", 16), ("a", 40)):
        (tmp_path / name).write_bytes(os.urandom(mebibytes << 20))
    result = run_probe(request_on(tmp_path, kind=ProbeKind.READ, streams=3), platform=this_platform())

    assert result.bytes_read == 56 << 20
    assert result.streams == 2
    assert traces_of(result)[0].written_bytes == 56 << 20


def test_reading_stays_on_the_volume(tmp_path: Path) -> None:
    """A link to a file elsewhere is not followed."""
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "film").write_bytes(os.urandom(32 << 20))
    medium = tmp_path / "medium"
    medium.mkdir()
    (medium / "film").symlink_to(outside / "film")

    with pytest.raises(NotAVolumeError, match="no file of 16 MiB"):
        run_probe(request_on(medium, kind=ProbeKind.READ), platform=this_platform())
