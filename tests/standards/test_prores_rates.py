"""ProRes: the published target rates.

Source: Apple ProRes White Paper, appendix Target Data Rates, by a public transcription. The rows of 4096x2160
fit no single size of frame; they are checked as transcribed.
"""

import pytest

from tests.agent.evidence.judging import shipped_formats

RATES = ("23.976", "25", "29.97", "50", "59.94")
CODECS = (
    "prores-422-proxy",
    "prores-422-lt",
    "prores-422",
    "prores-422-hq",
    "prores-4444",
    "prores-4444-xq",
)
# Mb/s at each of RATES, codecs in the order above.
TABLE = {
    "720": (
        (18, 19, 23, 38, 45),
        (41, 42, 51, 84, 101),
        (59, 61, 73, 122, 147),
        (88, 92, 110, 184, 220),
        (132, 138, 165, 275, 330),
        (198, 206, 247, 413, 495),
    ),
    "hd": (
        (36, 38, 45, 76, 91),
        (82, 85, 102, 170, 204),
        (117, 122, 147, 245, 293),
        (176, 184, 220, 367, 440),
        (264, 275, 330, 551, 660),
        (396, 413, 495, 826, 990),
    ),
    "2k": (
        (41, 43, 52, 86, 103),
        (93, 97, 116, 194, 232),
        (134, 140, 168, 280, 335),
        (201, 210, 251, 419, 503),
        (302, 315, 377, 629, 754),
        (453, 472, 566, 944, 1131),
    ),
    "uhd": (
        (145, 151, 182, 303, 363),
        (328, 342, 410, 684, 821),
        (471, 492, 589, 983, 1178),
        (707, 737, 884, 1475, 1768),
        (1061, 1106, 1326, 2212, 2652),
        (1591, 1659, 1989, 3318, 3977),
    ),
    "4k": (
        (155, 162, 194, 323, 388),
        (350, 365, 437, 730, 875),
        (503, 524, 629, 1048, 1257),
        (755, 787, 944, 1573, 1884),
        (1130, 1179, 1415, 2359, 2827),
        (1697, 1769, 2123, 3546, 4251),
    ),
    "6k": (
        (350, 365, 437, 730, 875),
        (788, 821, 985, 1643, 1969),
        (1131, 1180, 1414, 2359, 2828),
        (1697, 1769, 2121, 3539, 4242),
        (2545, 2654, 3182, 5308, 6364),
        (3818, 3981, 4772, 7962, 9545),
    ),
    "8k": (
        (622, 649, 778, 1298, 1556),
        (1400, 1460, 1750, 2920, 3500),
        (2011, 2097, 2514, 4194, 5028),
        (3017, 3146, 3771, 6291, 7542),
        (4525, 4719, 5657, 9437, 11313),
        (6788, 7078, 8485, 14156, 16970),
    ),
}
CELLS = [
    pytest.param(codec, raster, rate, mbit, id=f"{codec}-{raster}-{rate}")
    for raster, rows in TABLE.items()
    for codec, row in zip(CODECS, rows, strict=True)
    for rate, mbit in zip(RATES, row, strict=True)
]


@pytest.mark.parametrize(("codec", "raster", "rate", "mbit"), CELLS)
def test_every_cell_of_the_target_table(codec: str, raster: str, rate: str, mbit: int) -> None:
    """A ProRes format writes its published target rate."""
    found = shipped_formats().find(f"{codec}-{raster}-{rate}")

    assert mbit * 1e6 / 8 == pytest.approx(found.mean_bytes_per_s)


@pytest.mark.parametrize(("printed", "whole"), [("23.976", "24"), ("29.97", "30"), ("59.94", "60")])
def test_whole_frame_rates_are_a_thousandth_more(printed: str, whole: str) -> None:
    """24, 30 and 60 frames write 1.001 times the 23.976, 29.97 and 59.94 rates (from memory: 60000/1001)."""
    formats = shipped_formats()
    slower = formats.find(f"prores-422-hq-uhd-{printed}").mean_bytes_per_s

    assert slower * 1.001 == pytest.approx(formats.find(f"prores-422-hq-uhd-{whole}").mean_bytes_per_s)


@pytest.mark.parametrize(
    ("name", "mbyte"), [("prores-422-hq-uhd-59.94", 221.0), ("prores-4444-xq-uhd-59.94", 497.125)]
)
def test_megabytes_are_an_eighth_of_megabits(name: str, mbyte: float) -> None:
    """UHD HQ at 59.94 is 221 MB/s and 4444 XQ is 497.1 MB/s: Mb/s over 8."""
    assert mbyte * 1e6 == pytest.approx(shipped_formats().find(name).mean_bytes_per_s)


@pytest.mark.parametrize(
    ("codec", "mbit"),
    [("prores-422-hq", 220), ("prores-422", 145), ("prores-422-lt", 100), ("prores-422-proxy", 45)],
)
def test_rates_agree_with_the_makers_encoder_header(codec: str, mbit: int) -> None:
    """At 1920x1080, 29.97 the rate is about what the maker's encoder header names (2009-2016)."""
    found = shipped_formats().find(f"{codec}-hd-29.97").mean_bytes_per_s * 8 / 1e6

    assert mbit == pytest.approx(found, rel=0.025)
