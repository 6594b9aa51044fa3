"""One probe from start to tidy-up, on an ordinary folder; what needs a stand-in drive is in the rig tests."""

import errno
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from ebbmark_agent.errors import (
    DriveVanishedError,
    DriveWriteError,
    NotAVolumeError,
    PathMissingError,
    PermissionMissingError,
    VolumeReadOnlyError,
)
from ebbmark_agent.platforms import PROBE_FOLDER, linux, this_platform
from ebbmark_agent.probe import run_probe
from ebbmark_agent.report import FileLayout, ProbeKind, ProbeOutcome, ProbeResult

from tests.rigs.probing import request_on, traces_of

MB = 1_000_000


def altered(**changes: Any) -> Any:
    """This system's platform with some calls replaced, as a fake of our own at the port."""
    calls = {name: getattr(linux, name) for name in linux.__all__}
    return SimpleNamespace(**{**calls, **changes})


def refusing(number: int) -> Any:
    """A call that the system refuses."""

    def refuse(*_: Any, **__: Any) -> Any:
        raise OSError(number, "refused")

    return refuse


@pytest.mark.parametrize("layout", list(FileLayout))
def test_a_spot_writes_reads_back_and_leaves_nothing(tmp_path: Path, layout: FileLayout) -> None:
    """In every layout: all bytes on the trace, all of them read back right, an empty folder afterwards."""
    result = run_probe(request_on(tmp_path, max_bytes=32 * MB, layout=layout), platform=this_platform())

    assert result.outcome is ProbeOutcome.COMPLETED
    assert result.layout is layout
    assert result.read_back_ok
    assert result.bytes_read == traces_of(result)[0].written_bytes
    assert result.bytes_written <= 32 * MB
    assert result.flush_s is not None
    assert list(tmp_path.iterdir()) == []


def test_the_result_survives_the_wire(tmp_path: Path) -> None:
    """What a probe gives validates again from its own JSON, unchanged."""
    result = run_probe(request_on(tmp_path, max_bytes=8 * MB), platform=this_platform())

    assert ProbeResult.model_validate_json(result.model_dump_json()) == result


def test_an_earlier_probes_leftover_goes(tmp_path: Path) -> None:
    """What a loss of power left behind is removed when the next probe starts."""
    (tmp_path / PROBE_FOLDER).mkdir()
    (tmp_path / PROBE_FOLDER / "probe-0123").write_bytes(b"x" * 4096)
    run_probe(request_on(tmp_path, max_bytes=4 * MB), platform=this_platform())

    assert list(tmp_path.iterdir()) == []


def test_a_file_system_without_layout_says_appended(tmp_path: Path) -> None:
    """Where a file cannot be laid out, the result says how it was written instead."""

    class Plain(linux.LinuxFile):
        """A file that cannot be laid out."""

        def preallocate(self, size_bytes: int) -> bool:
            """Say no."""
            return False

    def create(folder: Path, *, cached: bool = False) -> Plain:
        import os

        return Plain(os.dup(linux.create_probe_file(folder, cached=cached).fileno()), unnamed=True)

    result = run_probe(request_on(tmp_path, max_bytes=4 * MB), platform=altered(create_probe_file=create))

    assert result.layout is FileLayout.APPENDED


@pytest.mark.parametrize(
    ("number", "error"),
    [
        (errno.EROFS, VolumeReadOnlyError),
        (errno.EACCES, PermissionMissingError),
        (errno.ENODEV, DriveVanishedError),
        (errno.ENOTCONN, DriveVanishedError),
        (errno.EIO, DriveWriteError),
    ],
)
def test_a_refusal_before_the_first_byte_is_an_error(tmp_path: Path, number: int, error: Any) -> None:
    """What keeps a probe from starting is told to the person, each with its own sentence."""
    with pytest.raises(error):
        run_probe(request_on(tmp_path), platform=altered(create_probe_file=refusing(number)))


def test_a_missing_path_is_an_error(tmp_path: Path) -> None:
    """A path that is not there asks whether the volume is mounted."""
    with pytest.raises(PathMissingError, match="mounted"):
        run_probe(request_on(tmp_path / "nowhere"), platform=this_platform())


def test_a_file_is_no_folder_to_probe(tmp_path: Path) -> None:
    """A path to a file is told apart from a missing one, and the file is not touched."""
    clip = tmp_path / "clip"
    clip.write_bytes(b"recorded")
    with pytest.raises(NotAVolumeError):
        run_probe(request_on(clip), platform=this_platform())

    assert clip.read_bytes() == b"recorded"


def test_a_volume_lost_after_the_writing_keeps_its_trace(tmp_path: Path) -> None:
    """When even the question where the file lies is refused, what was written is still reported."""
    result = run_probe(
        request_on(tmp_path, max_bytes=8 * MB), platform=altered(medium_span=refusing(errno.ENOTCONN))
    )

    assert result.bytes_written == 8 * MB // 4096 * 4096
    assert result.position_start is None


def test_a_seam_that_fails_is_a_finding(tmp_path: Path) -> None:
    """A drive that cannot begin the second segment of a take fails there, with the first one kept."""
    created = iter([linux.create_probe_file])

    def create(folder: Path, *, cached: bool = False) -> Any:
        return next(created, refusing(errno.EIO))(folder, cached=cached)

    result = run_probe(
        request_on(
            tmp_path,
            kind=ProbeKind.REHEARSAL,
            rate_bytes_per_s=100.0 * MB,
            max_bytes=20 * MB,
            segment_bytes=8 * MB,
        ),
        platform=altered(create_probe_file=create),
    )

    assert result.outcome is ProbeOutcome.FAILED
    assert result.fault is not None
    assert result.fault.operation == "create"
    assert result.bytes_written == 8 * MB // 4096 * 4096
    assert result.rehearsal is not None
