"""How much a probe writes."""

from pathlib import Path
from typing import Any

import pytest
from ebbmark_agent.errors import TooFewBytesError, VolumeFullError
from ebbmark_agent.platforms import VolumeSpace
from ebbmark_agent.probe.plan import plan
from ebbmark_agent.probe.request import SPOT_BYTES
from ebbmark_agent.report import FileLayout, ProbeKind
from hypothesis import given
from hypothesis import strategies as st

from tests.rigs.probing import request_on

TERABYTE = VolumeSpace(total_bytes=10**12, free_bytes=4 * 10**11)


def planned(space: VolumeSpace = TERABYTE, **fields: Any) -> Any:
    """The plan for a request in a made-up folder; 1 % is kept free unless said."""
    return plan(request_on(Path("/volume"), **{"keep_free_bytes": None, **fields}), space)


def test_a_spot_writes_its_usual_size() -> None:
    """A spot without a stated size writes two gigabytes, rounded down to pages."""
    assert planned().file_bytes == SPOT_BYTES // 4096 * 4096


def test_a_stated_size_is_a_cap() -> None:
    """What was stated is never exceeded, and at most a page less is written."""
    written = planned(max_bytes=123_456_789).written_bytes

    assert 123_456_789 - 4096 < written <= 123_456_789


def test_a_soak_fills_the_room() -> None:
    """A soak writes all but the room it leaves, and says that this is the whole medium."""
    found = planned(kind=ProbeKind.SOAK)

    assert found.file_bytes == (4 * 10**11 - 10**10) // 4096 * 4096
    assert found.whole_medium


def test_a_budget_is_not_the_whole_medium() -> None:
    """A soak cut short by its budget does not claim the medium."""
    assert not planned(kind=ProbeKind.SOAK, max_bytes=10**11).whole_medium


def test_an_overwritten_layout_counts_both_passes() -> None:
    """Writing a file twice stays within the stated bytes all the same."""
    found = planned(layout=FileLayout.OVERWRITTEN, max_bytes=10**9)

    assert found.file_bytes <= 5 * 10**8
    assert found.written_bytes == 2 * found.file_bytes


def test_a_rehearsal_writes_rate_times_length() -> None:
    """Ten minutes at 100 MB/s are 60 GB."""
    found = planned(kind=ProbeKind.REHEARSAL, rate_bytes_per_s=1e8, duration_s=600.0)

    assert 60 * 10**9 - 4096 < found.file_bytes <= 60 * 10**9


def test_a_full_volume_is_refused_with_its_figures() -> None:
    """The error says what is free."""
    with pytest.raises(VolumeFullError, match=r"0\.05 GB free"):
        planned(VolumeSpace(total_bytes=10**10, free_bytes=5 * 10**7))


@given(
    total=st.integers(min_value=10**8, max_value=10**14),
    used=st.floats(min_value=0.0, max_value=0.999),
    asked=st.integers(min_value=1 << 20, max_value=10**13),
    kind=st.sampled_from([ProbeKind.SPOT, ProbeKind.SOAK, ProbeKind.COPY]),
)
def test_a_probe_never_takes_the_last_room(total: int, used: float, asked: int, kind: ProbeKind) -> None:
    """Whatever is asked, at least 1 % of the volume stays free and the cap holds, or the probe is refused."""
    space = VolumeSpace(total_bytes=total, free_bytes=int(total * (1 - used)))
    try:
        found = planned(space, kind=kind, max_bytes=asked)
    except VolumeFullError:
        return

    assert space.free_bytes - found.file_bytes >= 0.01 * total - 1
    assert found.written_bytes <= asked
    assert found.file_bytes % 4096 == 0


@pytest.mark.parametrize("layout", [FileLayout.PREALLOCATED, FileLayout.OVERWRITTEN])
def test_too_few_bytes_are_not_called_a_full_volume(layout: FileLayout) -> None:
    """On a volume with room, a cap below one page is told as such, with what to do."""
    with pytest.raises(TooFewBytesError, match="100 bytes are too few"):
        planned(max_bytes=100, layout=layout)
