"""Recording formats: names a person can type, bare rates, and a house's own file."""

import pytest
from ebbmark_agent.evidence import DefinitionError, UnknownFormat, demand_of_format, load_formats, parse_rate
from hypothesis import given
from hypothesis import strategies as st

from tests.agent.evidence.judging import shipped, shipped_formats

HOUSE = """\
version = 1

[[free]]
name = "four-camera-show"
mbyte_per_s = 120
peak_mbyte_per_s = 180
burst_mbyte = 40
"""


@pytest.mark.parametrize(
    "typed",
    [
        "prores-422-hq-uhd-59.94",
        "ProRes 422 HQ UHD 59.94",
        "prores_422_hq_3840x2160_59.94p",
        "  PRORES-422-HQ, 3840x2160, 59.94 ",
    ],
)
def test_a_name_is_found_however_it_is_typed(typed: str) -> None:
    """Capitals, blanks, underscores, pixels and a trailing p do not matter."""
    assert shipped_formats().find(typed).name == "prores-422-hq-uhd-59.94"


def test_every_listed_name_finds_itself() -> None:
    """A name as listed gives the very format listed."""
    formats = shipped_formats()

    assert all(formats.find(each.name) is each for each in formats)


def test_every_shipped_format_names_its_source() -> None:
    """No rate ships without where it comes from."""
    assert [each.name for each in shipped_formats() if not each.source.strip()] == []


def test_an_unknown_name_gets_near_ones() -> None:
    """A misspelt name is answered with the nearest ones and with the form of a rate."""
    with pytest.raises(UnknownFormat) as raised:
        shipped_formats().find("prores-422-hg-uhd-59.94")

    assert "prores-422-hq-uhd-59.94" in raised.value.near
    assert "150MB/s" in str(raised.value)


@pytest.mark.parametrize(
    ("text", "bytes_per_s"),
    [
        ("150MB/s", 150e6),
        (" 1.5 GB/s ", 1.5e9),
        ("880Mb/s", 110e6),
        ("880 Mbit/s", 110e6),
        ("100MiB/s", 104_857_600),
        ("800kB/s", 800e3),
        ("60MBps", 60e6),
        ("150 mb/s", None),
        ("MB/s", None),
        ("150", None),
        ("-5MB/s", None),
        ("1e3MB/s", None),
    ],
)
def test_bare_rates(text: str, bytes_per_s: float | None) -> None:
    """A rate has a number and a unit whose capitals tell bits from bytes; anything else is none."""
    assert parse_rate(text) == (None if bytes_per_s is None else pytest.approx(bytes_per_s))


@pytest.mark.parametrize("text", ["0MB/s", "0.0 GB/s"])
def test_a_rate_of_zero_is_refused(text: str) -> None:
    """Zero is no demand, and the error says so."""
    with pytest.raises(ValueError, match="above zero"):
        shipped_formats().find(text)


@given(st.integers(min_value=1, max_value=10**6))
def test_a_rate_in_bits_is_an_eighth(mbit: int) -> None:
    """B and bit are bits, B is bytes."""
    assert parse_rate(f"{mbit}Mb/s") == parse_rate(f"{mbit}Mbit/s") == pytest.approx(mbit * 1e6 / 8)


def test_a_house_file_extends_the_shipped_one() -> None:
    """A house's own format stands beside the shipped ones, with peak and burst."""
    formats = load_formats(HOUSE, extends=shipped_formats(), what="house.toml")
    found = formats.find("four-camera-show")

    assert len(formats) == len(shipped_formats()) + 1
    assert (found.mean_bytes_per_s, found.peak_bytes_per_s, found.burst_bytes) == (120e6, 180e6, 40e6)
    assert formats.find("prores-422-hq-3840x2160-25").name == "prores-422-hq-uhd-25"


def test_a_free_form_may_say_how_long_it_lasts() -> None:
    """MB/s, peak and minutes describe most houses; the minutes become the take that is asked for."""
    formats = load_formats(HOUSE + "minutes = 45\n", what="house.toml")
    found = demand_of_format(formats.find("four-camera-show"))

    assert found.take_s == 2700
    assert demand_of_format(formats.find("four-camera-show"), take_s=60).take_s == 60


def test_a_house_file_may_use_shipped_rasters_and_rates() -> None:
    """Rasters and frame rates of the shipped file are known by name in a house's own."""
    text = (
        '[[fixed_frames]]\ncodec = "house"\nsource = "measured"\nrasters = ["uhd"]\n'
        'frame_rates = ["25"]\nframe_bytes = 1000000\n'
    )
    formats = load_formats(text, extends=shipped_formats())

    assert formats.find("house-uhd-25").mean_bytes_per_s == 25e6


BROKEN = """\
version = 2
[[free]]
name = "A Show"
mbyte_per_s = -1
peek = 3
[[packings]]
codec = "mine"
source = "own"
rasters = ["uhx"]
frame_rates = ["25"]
pixels_per_group = 2
bytes_per_group = 5
[[target_rates]]
codec = "c"
source = "s"
frame_rates = ["25", "50"]
mbit_per_s.uhd = [1]
"""


def test_every_fault_of_a_format_file_is_told_with_its_line() -> None:
    """All mistakes come at once, each with line, key and what is legal."""
    with pytest.raises(DefinitionError) as raised:
        load_formats(BROKEN, extends=shipped_formats(), what="house.toml")

    told = {(fault.line, fault.key) for fault in raised.value.faults}
    assert told == {
        (1, "version"),
        (3, "free 1, name"),
        (4, "free 1, mbyte_per_s"),
        (5, "free 1, peek"),
        (9, "packings 1, rasters"),
        (17, "target_rates 1, mbit_per_s, uhd"),
    }
    assert "legal are 720, hd" in str(raised.value)


def test_a_format_given_twice_is_refused() -> None:
    """Two entries of one name in one file are a mistake, not an override."""
    with pytest.raises(DefinitionError, match="given twice"):
        load_formats(HOUSE + HOUSE.removeprefix("version = 1\n"))


def test_a_peak_below_the_mean_is_refused() -> None:
    """A peak is at least the mean."""
    with pytest.raises(DefinitionError, match="peak_mbyte_per_s"):
        load_formats(HOUSE.replace("180", "100"))


def test_the_shipped_file_reads_without_extending_anything() -> None:
    """The shipped file stands alone."""
    assert len(load_formats(shipped("formats.toml"))) > 1000
