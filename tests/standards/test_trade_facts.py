"""Facts of the trade that a judgement must agree with. Common practice, no source, for every one of them."""

import pytest
from ebbmark_agent.evidence import (
    Bus,
    MinutesKind,
    Path,
    ProbeKind,
    ReasonCode,
    Standing,
    Trace,
    fit,
    usb_ceiling_bytes_per_s,
)

from tests.agent.evidence.judging import GB, MB, asked, evidence, staged

COPIED = 49 * GB


def _copied_in(seconds: float) -> Trace:
    return staged((COPIED / seconds, COPIED), block_bytes=16 * MB)


def _copied_with_a_step() -> Trace:
    """49 GB in 279 s, 176 MB/s on average, near 120 MB/s from about 70 % of the file on."""
    step = 0.7 * COPIED
    slow_s = (COPIED - step) / (120 * MB)
    return staged((step / (279 - slow_s), step), (120 * MB, COPIED - step), block_bytes=16 * MB)


def test_a_steady_copy_in_258_s_suits_takes_within_it() -> None:
    """Common practice, no source: 49 GB in 258 s is 190 MB/s: 150 MB/s is safe for takes within it."""
    probe = evidence(_copied_in(258), kind=ProbeKind.COPY, capacity_bytes=int(500 * GB))
    judged = fit(probe, asked(150, take_s=5 * 60))

    assert judged.standing is Standing.FIT
    assert probe.figures.mean_bytes_per_s == pytest.approx(190 * MB, rel=0.001)
    assert judged.from_rest.kind is MinutesKind.PROVEN_FOR
    assert judged.from_rest.minutes == pytest.approx(5.44, abs=0.01)


def test_beyond_the_steady_copy_nothing_is_proven() -> None:
    """Common practice, no source: the same copy proves nothing for the whole medium or a longer take."""
    probe = evidence(_copied_in(258), kind=ProbeKind.COPY, capacity_bytes=int(500 * GB))

    assert fit(probe, asked(150)).standing is Standing.UNPROVEN
    assert fit(probe, asked(150, take_s=6 * 60)).standing is Standing.UNPROVEN


def test_a_copy_in_399_s_is_too_slow() -> None:
    """Common practice, no source: 49 GB in 399 s is 123 MB/s, which fails 150 MB/s."""
    judged = fit(evidence(_copied_in(399), kind=ProbeKind.COPY), asked(150))

    assert judged.standing is Standing.UNFIT
    assert judged.floor_bytes_per_s == pytest.approx(123 * MB, rel=0.005)


def test_an_average_that_passes_does_not_make_a_drive_fit() -> None:
    """Common practice, no source: 176 MB/s on average, 120 MB/s at the end, fails 150 MB/s and says where."""
    probe = evidence(_copied_with_a_step(), kind=ProbeKind.COPY)
    judged = fit(probe, asked(150))

    assert probe.figures.mean_bytes_per_s == pytest.approx(176 * MB, rel=0.005)
    assert judged.standing is Standing.UNFIT
    assert judged.floor_bytes_per_s == pytest.approx(120 * MB, rel=0.01)
    assert [each.at_bytes for each in probe.figures.cliffs] == [pytest.approx(34.3 * GB, rel=0.01)]
    assert "34.3 GB" in judged.reasons[0].sentence
    assert "120 MB/s" in judged.reasons[0].sentence


@pytest.mark.parametrize(("mb_per_s", "standing"), [(300, Standing.FIT), (440, Standing.UNFIT)])
def test_a_sata_drive_judges_alike_through_a_slower_reader(mb_per_s: float, standing: Standing) -> None:
    """Common practice, no source: a SATA drive in a 5 Gb/s reader has lower tops and the same verdict."""
    direct = Path(bus=Bus.SATA, key="sata", link_now="6 Gb/s", link_now_bytes_per_s=600 * MB)
    reader = Path(
        bus=Bus.USB,
        key="usb",
        uas=True,
        link_now="5 Gb/s",
        link_now_bytes_per_s=usb_ceiling_bytes_per_s(5000),
    )
    inside = staged((540 * MB, 40 * GB), (410 * MB, 60 * GB), block_bytes=32 * MB)
    through = staged((430 * MB, 40 * GB), (410 * MB, 60 * GB), block_bytes=32 * MB)

    assert fit(evidence(inside, path=direct), asked(mb_per_s)).standing is standing
    assert fit(evidence(through, path=reader), asked(mb_per_s)).standing is standing


def test_a_plateau_at_the_readers_ceiling_says_nothing_of_the_drive() -> None:
    """Common practice, no source: a flat 440 MB/s through a 5 Gb/s reader is marked as the reader's."""
    reader = Path(
        bus=Bus.USB,
        key="usb",
        uas=True,
        link_now="5 Gb/s",
        link_now_bytes_per_s=usb_ceiling_bytes_per_s(5000),
    )
    probe = evidence(staged((440 * MB, 100 * GB), block_bytes=32 * MB), path=reader)

    above, below = fit(probe, asked(500)), fit(probe, asked(300))

    assert above.path_limited
    assert above.has(ReasonCode.PATH_LIMITED)
    assert below.standing is Standing.FIT


def test_the_cache_gives_a_single_take_and_no_more() -> None:
    """A 2 GB cache at 400 MB/s, 60 MB/s behind it, asked for 100 MB/s with one second: lost after 22.5 s.

    By hand: 2 GB / 100 MB/s + 100 MB / (100 - 60) MB/s = 20 s + 2.5 s.
    """
    judged = fit(evidence(staged((400 * MB, 2 * GB), (60 * MB, 6 * GB))), asked(100))

    assert judged.standing is Standing.UNFIT
    assert judged.from_rest.kind is MinutesKind.LOST_AFTER
    assert judged.from_rest.minutes == pytest.approx(22.5 / 60)
    assert judged.cache_spent is not None
    assert judged.cache_spent.minutes == pytest.approx(2.5 / 60)
