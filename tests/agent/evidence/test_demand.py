"""Demand: unlike streams, headroom, buffer, bursts, seams and slots summed on one medium."""

from dataclasses import replace

import pytest
from ebbmark_agent.evidence import Demand, Seams, Slots, Stream, bare_rate, demand_of_streams
from hypothesis import given
from hypothesis import strategies as st

from tests.agent.evidence.judging import MB, asked, shipped_formats

rates = st.floats(min_value=0.1, max_value=5000)


def test_unlike_streams_are_summed() -> None:
    """Main, proxy and audio on one medium ask their sum; by hand 221 + 45.375 + 2.304 MB/s."""
    formats = shipped_formats()
    streams = [
        Stream(format=formats.find("prores-422-hq-uhd-59.94")),
        Stream(format=formats.find("prores-422-proxy-uhd-59.94"), part="proxy"),
        Stream(format=formats.find("pcm-24-48k-16ch"), part="audio"),
    ]

    found = demand_of_streams(streams, name="show", headroom=1.2, buffer_s=2)

    assert found.rate_bytes_per_s == pytest.approx(268.679 * MB)
    assert found.demand_bytes_per_s == pytest.approx(322.4148 * MB)
    assert found.buffer_bytes == pytest.approx(537.358 * MB)


def test_like_streams_are_counted() -> None:
    """Four cameras ask four times one."""
    stream = Stream(format=bare_rate(50 * MB), count=4)

    assert demand_of_streams([stream], name="iso").rate_bytes_per_s == 200 * MB


def test_a_peak_of_unknown_length_counts_as_the_rate() -> None:
    """A peak whose length is not known may last, so it is the rate."""
    peaky = replace(bare_rate(100 * MB), peak_bytes_per_s=160 * MB)

    assert demand_of_streams([Stream(format=peaky)], name="x").rate_bytes_per_s == 160 * MB


def test_a_known_burst_is_taken_off_the_buffer() -> None:
    """A burst that is known leaves the mean as the rate and lessens the buffer."""
    bursty = replace(bare_rate(100 * MB), peak_bytes_per_s=160 * MB, burst_bytes=30 * MB)
    found = demand_of_streams([Stream(format=bursty)], name="x", buffer_s=1)

    assert found.rate_bytes_per_s == 100 * MB
    assert found.buffer_bytes == 70 * MB


def test_bursts_of_like_streams_add_up() -> None:
    """Two cameras may burst at the same moment."""
    bursty = replace(bare_rate(100 * MB), burst_bytes=30 * MB)
    found = demand_of_streams([Stream(format=bursty, count=2)], name="x", buffer_s=1)

    assert found.buffer_bytes == 140 * MB


def test_a_seam_raises_the_rate_and_lessens_the_buffer() -> None:
    """Half a second in five minutes: 300/299.5 of the rate, and half a second less of buffer."""
    found = demand_of_streams(
        [Stream(format=bare_rate(100 * MB))], name="x", buffer_s=2, seams=Seams(every_s=300, pause_s=0.5)
    )

    assert found.rate_bytes_per_s == pytest.approx(100 * MB * 300 / 299.5)
    assert found.buffer_bytes == pytest.approx(150 * MB)


@pytest.mark.parametrize("slots", list(Slots))
def test_every_way_of_using_slots_asks_the_whole_rate_of_a_medium(slots: Slots) -> None:
    """Relay writes one medium after the other and mirror the same to each: either way the whole rate."""
    found = demand_of_streams([Stream(format=bare_rate(100 * MB))], name="x", slots=slots)

    assert found.rate_bytes_per_s == 100 * MB


@given(st.lists(rates, min_size=1, max_size=5), st.floats(1, 3), st.floats(0, 30))
def test_demand_is_rate_times_headroom(mbytes: list[float], headroom: float, buffer_s: float) -> None:
    """The demand is the streams' sum times the headroom, the buffer the sum times its seconds."""
    streams = [Stream(format=bare_rate(each * MB)) for each in mbytes]
    found = demand_of_streams(streams, name="x", headroom=headroom, buffer_s=buffer_s)

    assert found.demand_bytes_per_s == pytest.approx(sum(mbytes) * MB * headroom)
    assert found.buffer_bytes == pytest.approx(sum(mbytes) * MB * buffer_s)


def test_a_demand_of_zero_is_refused() -> None:
    """Nothing can be judged against no demand, and the error says what to name instead."""
    with pytest.raises(ValueError, match="name a role, a recording format or a rate above zero"):
        Demand(name="nothing", rate_bytes_per_s=0, buffer_bytes=0)


@pytest.mark.parametrize(
    ("how", "match"),
    [
        ({"headroom": 0.9}, "headroom"),
        ({"headroom": float("nan")}, "headroom"),
        ({"buffer_s": -1}, "buffer"),
        ({"take_s": 0}, "take"),
        ({"take_s": float("inf")}, "take"),
    ],
)
def test_values_that_make_no_demand(how: dict[str, float], match: str) -> None:
    """A headroom below one, a negative buffer or a take of no length is refused by name."""
    with pytest.raises(ValueError, match=match):
        asked(100, **how)


def test_no_stream_is_refused() -> None:
    """A role without a stream asks nothing."""
    with pytest.raises(ValueError, match="no stream"):
        demand_of_streams([], name="x")


def test_a_seam_longer_than_the_buffer_is_refused() -> None:
    """Where a seam uses up the buffer no drive would do, and the error says so."""
    with pytest.raises(ValueError, match="cannot hold"):
        demand_of_streams(
            [Stream(format=bare_rate(MB))], name="x", buffer_s=0.2, seams=Seams(every_s=60, pause_s=0.5)
        )


def test_a_seam_longer_than_its_segment_is_refused() -> None:
    """A pause that fills the segment leaves no time to write."""
    with pytest.raises(ValueError, match="no time to write"):
        Seams(every_s=1, pause_s=1)


def test_no_streams_at_once_is_refused() -> None:
    """A count of streams is at least one."""
    with pytest.raises(ValueError, match="at least 1"):
        Stream(format=bare_rate(MB), count=0)
