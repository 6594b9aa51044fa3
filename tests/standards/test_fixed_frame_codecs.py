"""VC-3 (DNxHD, DNxHR) and AVC-Intra, XAVC Intra: the same number of bytes in every frame.

Sources: SMPTE ST 2019-1 with the CID table and frame size as in FFmpeg's libavcodec/dnxhddata.c; a maker's
published table of DNxHR rates in MiB/s (public transcription); SMPTE RP 2027 with sizes as in x264's
avcintra_lut.
"""

import pytest
from ebbmark_agent.evidence.frames import Raster, dnxhr_frame_bytes

from tests.agent.evidence.judging import shipped_formats

MIB = 1 << 20
RATES = ("23.976", "25", "29.97", "50", "59.94")
VC3_MBIT = {
    "vc3-1235-hd": (175.98, 183.50, 219.98, 367.00, 439.96),
    "vc3-1237-hd": (116.28, 121.24, 145.34, 242.48, 290.69),
    "vc3-1238-hd": (175.98, 183.50, 219.98, 367.00, 439.96),
    "vc3-1250-720": (87.99, 91.75, 109.99, 183.50, 219.98),
    "vc3-1251-720": (87.99, 91.75, 109.99, 183.50, 219.98),
    "vc3-1252-720": (58.14, 60.62, 72.67, 121.24, 145.34),
    "vc3-1253-hd": (36.14, 37.68, 45.17, 75.37, 90.35),
    "vc3-1256-hd": (351.97, 367.00, 439.96, 734.00, 879.92),
}
VC3_INTERLACED_MBIT = {
    "vc3-1241-hd": (183.50, 219.98),
    "vc3-1242-hd": (121.24, 145.34),
    "vc3-1243-hd": (183.50, 219.98),
}
PROFILES = {"444": 57344, "hqx": 28672, "hq": 28672, "sq": 18944, "lb": 5888}
DNXHR_FRAMES = {
    (1920, 1080): {"444": 1835008, "hqx": 917504, "hq": 917504, "sq": 606208, "lb": 188416},
    (2048, 1080): {"444": 1957888, "hqx": 978944, "hq": 978944, "sq": 647168, "lb": 200704},
    (3840, 2160): {"444": 7286784, "hqx": 3641344, "hq": 3641344, "sq": 2408448, "lb": 749568},
    (4096, 2160): {"444": 7770112, "hqx": 3887104, "hq": 3887104, "sq": 2568192, "lb": 798720},
}
DNXHR_HQ_MBYTE = {
    "hd": (22.00, 22.94, 27.50, 45.88, 55.00),
    "2k": (23.47, 24.47, 29.34, 48.95, 58.68),
    "uhd": (87.30, 91.03, 109.13, 182.07, 218.26),
    "4k": (93.20, 97.18, 116.50, 194.36, 232.99),
}


@pytest.mark.parametrize(("name", "row"), VC3_MBIT.items())
def test_progressive_vc3_rates(name: str, row: tuple[float, ...]) -> None:
    """A progressive VC-3 id writes its frame's bytes at every frame rate."""
    found = [shipped_formats().find(f"{name}-{rate}").mean_bytes_per_s * 8 / 1e6 for rate in RATES]

    assert list(row) == pytest.approx(found, abs=0.0051)


@pytest.mark.parametrize(("name", "row"), VC3_INTERLACED_MBIT.items())
def test_interlaced_vc3_rates(name: str, row: tuple[float, float]) -> None:
    """An interlaced VC-3 id writes its frame's bytes at 25 and 29.97 frames."""
    found = [shipped_formats().find(f"{name}-{rate}").mean_bytes_per_s * 8 / 1e6 for rate in ("25", "29.97")]

    assert list(row) == pytest.approx(found, abs=0.0051)


@pytest.mark.parametrize(
    ("size", "profile", "frame_bytes"),
    [(size, name, value) for size, row in DNXHR_FRAMES.items() for name, value in row.items()],
)
def test_dnxhr_frame_sizes(size: tuple[int, int], profile: str, frame_bytes: int) -> None:
    """A DNxHR frame has the codec's own size at every raster of the table."""
    raster = Raster(name="tried", width=size[0], height=size[1])

    assert frame_bytes == dnxhr_frame_bytes(raster, bytes_per_255_macroblocks=PROFILES[profile])


def test_dnxhr_frames_have_a_least_size() -> None:
    """A tiny raster still takes 8192 bytes a frame."""
    raster = Raster(name="tiny", width=256, height=120)

    assert dnxhr_frame_bytes(raster, bytes_per_255_macroblocks=5888) == 8192


@pytest.mark.parametrize(("raster", "row"), DNXHR_HQ_MBYTE.items())
def test_dnxhr_hq_rates(raster: str, row: tuple[float, ...]) -> None:
    """DNxHR HQ writes its frame size times the frame rate."""
    found = [shipped_formats().find(f"dnxhr-hq-{raster}-{rate}").mean_bytes_per_s / 1e6 for rate in RATES]

    assert list(row) == pytest.approx(found, abs=0.0051)


@pytest.mark.parametrize(
    ("name", "mebibytes"),
    [
        ("dnxhr-hq-uhd-59.94", 208.15),
        ("dnxhr-444-uhd-59.94", 416.54),
        ("dnxhr-sq-uhd-59.94", 137.67),
        ("dnxhr-lb-uhd-59.94", 42.85),
        ("dnxhr-hq-4k-59.94", 222.20),
    ],
)
def test_published_dnxhr_table(name: str, mebibytes: float) -> None:
    """UHD and 4K cells of the published table are reproduced; its unit is really MiB/s."""
    assert mebibytes == pytest.approx(shipped_formats().find(name).mean_bytes_per_s / MIB, abs=0.0051)


def test_codecs_own_size_is_used_at_1080_lines() -> None:
    """At 1080 lines the codec's padded frame is used, 0.9 % above the published 20.79 MiB/s."""
    found = shipped_formats().find("dnxhr-hq-hd-23.976").mean_bytes_per_s / MIB

    assert found == pytest.approx(20.98, abs=0.0051)
    assert found > 20.79


@pytest.mark.parametrize(
    ("name", "mbit"),
    [
        ("avc-intra-50-1440x1080-29.97", 54.5),
        ("avc-intra-50-1440x1080-25", 54.9),
        ("avc-intra-50-1440x1080-23.976", 43.6),
        ("avc-intra-50-1440x1080-59.94", 109.1),
        ("avc-intra-100-hd-29.97", 110.65),
        ("avc-intra-100-hd-25", 111.10),
        ("avc-intra-100-hd-59.94", 221.3),
        ("avc-intra-100-hd-50", 222.2),
        ("avc-intra-200-hd-29.97", 223.1),
        ("avc-intra-200-hd-25", 223.5),
        ("avc-intra-200-hd-59.94", 446.2),
        ("avc-intra-200-hd-50", 447.0),
        ("xavc-intra-300-uhd-23.976", 236.0),
        ("xavc-intra-300-uhd-25", 246.1),
        ("xavc-intra-300-uhd-29.97", 295.0),
        ("xavc-intra-300-uhd-50", 492.2),
        ("xavc-intra-300-4k-59.94", 590.1),
        ("xavc-intra-480-uhd-23.976", 376.4),
        ("xavc-intra-480-uhd-25", 392.5),
        ("xavc-intra-480-uhd-29.97", 470.5),
        ("xavc-intra-480-uhd-50", 785.0),
        ("xavc-intra-480-4k-59.94", 941.1),
    ],
)
def test_avc_intra_classes(name: str, mbit: float) -> None:
    """An intra class writes its size of frame at the frame rate."""
    assert mbit == pytest.approx(shipped_formats().find(name).mean_bytes_per_s * 8 / 1e6, abs=0.051)


@pytest.mark.parametrize(
    ("name", "ceiling_mbit"),
    [
        ("xavc-intra-300-uhd-29.97", 300),
        ("xavc-intra-300-uhd-59.94", 600),
        ("xavc-intra-480-uhd-29.97", 480),
        ("xavc-intra-480-uhd-59.94", 960),
    ],
)
def test_intra_classes_stay_under_their_label(name: str, ceiling_mbit: int) -> None:
    """A class stays just under the rate the trade calls it by (300/600 and 480/960 Mb/s)."""
    found = shipped_formats().find(name).mean_bytes_per_s * 8 / 1e6

    assert 0.95 * ceiling_mbit < found <= ceiling_mbit
