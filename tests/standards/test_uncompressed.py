"""Uncompressed pictures and PCM audio against their packings, and against what a link can bring in.

Sources: MultimediaWiki V210 and FFmpeg v210dec.c (packing); bit arithmetic for the others; SDI line rates of
SMPTE ST 292-1, ST 424 and ST 2082 (ST 259 from memory).
"""

import pytest
from ebbmark_agent.evidence import Bus, Path, path_ceiling
from ebbmark_agent.evidence.frames import Packing, Raster, pcm_bytes_per_s

from tests.agent.evidence.judging import shipped_formats

RATES = ("23.976", "25", "29.97", "50", "59.94")
V210 = Packing(pixels_per_group=6, bytes_per_group=16, line_multiple_bytes=128)
V210_ROWS = {
    ("720", 1280, 720): (2488320, (59.66, 62.21, 74.58, 124.42, 149.15)),
    ("hd", 1920, 1080): (5529600, (132.58, 138.24, 165.72, 276.48, 331.44)),
    ("2k", 2048, 1080): (5944320, (142.52, 148.61, 178.15, 297.22, 356.30)),
    ("uhd", 3840, 2160): (22118400, (530.31, 552.96, 662.89, 1105.92, 1325.78)),
    ("4k", 4096, 2160): (23777280, (570.08, 594.43, 712.61, 1188.86, 1425.21)),
}
IDEAL_20_BIT = {"720": 138.10, "hd": 310.73, "2k": 331.44, "uhd": 1242.92, "4k": 1325.78}


@pytest.mark.parametrize(("raster", "row"), V210_ROWS.items())
def test_v210_frames_and_rates(raster: tuple[str, int, int], row: tuple[int, tuple[float, ...]]) -> None:
    """A v210 line is padded to 48 pixels, and its rate is the padded frame at the frame rate."""
    name, width, height = raster
    frame_bytes, mbytes = row
    found = [shipped_formats().find(f"v210-{name}-{rate}").mean_bytes_per_s / 1e6 for rate in RATES]

    assert frame_bytes == V210.frame_bytes(Raster(name=name, width=width, height=height))
    assert list(mbytes) == pytest.approx(found, abs=0.0051)


@pytest.mark.parametrize(
    ("width", "height", "frame_bytes"), [(720, 486, 933120), (720, 576, 1105920)], ids=["525", "625"]
)
def test_v210_standard_definition(width: int, height: int, frame_bytes: int) -> None:
    """Standard definition has a stride of 1920 bytes."""
    assert frame_bytes == V210.frame_bytes(Raster(name="sd", width=width, height=height))


@pytest.mark.parametrize(("raster", "mbyte"), IDEAL_20_BIT.items())
def test_close_packed_ten_bit(raster: str, mbyte: float) -> None:
    """10 bit 4:2:2 without padding is 20 bits a pixel, always below v210."""
    formats = shipped_formats()
    found = formats.find(f"raw-422-10-{raster}-59.94").mean_bytes_per_s / 1e6

    assert mbyte == pytest.approx(found, abs=0.0051)
    assert found < formats.find(f"v210-{raster}-59.94").mean_bytes_per_s / 1e6


@pytest.mark.parametrize(
    ("codec", "bits"),
    [
        ("uyvy", 16),
        ("raw-422-10", 20),
        ("raw-422-12", 24),
        ("raw-420-10", 15),
        ("raw-444-10", 30),
        ("raw-444-12", 36),
        ("raw-444-16", 48),
    ],
)
def test_bits_a_pixel(codec: str, bits: int) -> None:
    """A close packing takes exactly its bits for every pixel."""
    found = shipped_formats().find(f"{codec}-uhd-25").mean_bytes_per_s

    assert bits / 8 * 3840 * 2160 * 25 == pytest.approx(found)


@pytest.mark.parametrize(("channels", "mbyte"), [(1, 0.144), (16, 2.304)])
def test_pcm_audio(channels: int, mbyte: float) -> None:
    """48 kHz at 24 bit is 1.152 Mb/s a channel, 18.43 Mb/s or 2.304 MB/s for sixteen."""
    found = pcm_bytes_per_s(channels=channels, sample_rate_hz=48_000, container_bits=24)

    assert mbyte * 1e6 == pytest.approx(found)
    assert found == shipped_formats().find(f"pcm-24-48k-{channels}ch").mean_bytes_per_s


@pytest.mark.parametrize(
    ("raster", "line_gbit", "share"), [("hd", 2.967, 0.838), ("uhd", 11.868, 0.838)], ids=["3G", "12G"]
)
def test_active_picture_fits_its_sdi_link(raster: str, line_gbit: float, share: float) -> None:
    """The active 10 bit 4:2:2 picture at 59.94 is 83.8 % of its SDI link's rate."""
    active = shipped_formats().find(f"raw-422-10-{raster}-59.94").mean_bytes_per_s * 8

    assert share == pytest.approx(active / (line_gbit * 1e9), abs=0.001)


@pytest.mark.parametrize(
    ("clocks_a_line", "lines", "bits", "frame_rate", "line_rate"),
    [
        (858, 525, 20, 30_000 / 1001, 270e6),
        (864, 625, 20, 25, 270e6),
        (2200, 1125, 20, 30, 1.485e9),
        (4400, 2250, 20, 60, 11.88e9),
    ],
)
def test_sdi_line_rates_are_the_total_raster(
    clocks_a_line: int, lines: int, bits: int, frame_rate: float, line_rate: float
) -> None:
    """An SDI rate is its total raster (blanking included): no active picture here can exceed its link."""
    assert line_rate == pytest.approx(clocks_a_line * lines * bits * frame_rate)


@pytest.mark.parametrize(
    ("bus", "payload"), [(Bus.SATA, 600e6), (Bus.USB, 1212.1e6)], ids=["SATA 6 Gb/s", "USB 10 Gb/s"]
)
def test_uhd_v210_at_5994_passes_no_common_link(bus: Bus, payload: float) -> None:
    """UHD v210 at 59.94 cannot be written over SATA or over USB 10 Gb/s."""
    ceiling = path_ceiling(Path(bus=bus, uas=True, link_now_bytes_per_s=payload))

    assert ceiling is not None
    assert shipped_formats().find("v210-uhd-59.94").mean_bytes_per_s > ceiling.payload_bytes_per_s
