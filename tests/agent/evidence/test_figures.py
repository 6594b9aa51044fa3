"""The record of a probe's figures: whole probes, segments, the way through JSON."""

import json

import pytest
from ebbmark_agent.evidence import Figures, Shape, Trace, floor, read_trace
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.agent.evidence.simulated import GB, MB, SimulatedDrive, stages

DRIVE = SimulatedDrive(
    rate=stages((0, 400 * MB), (4e9, 90 * MB)),
    jitter=0.06,
    stall_every_bytes=600 * MB,
    stall_s=0.6,
    start_up_s=2,
)


@pytest.fixture(scope="module")
def trace():
    """A trace with a start-up, a cliff and stalls."""
    return DRIVE.write(9e9)


def test_they_survive_json(trace):
    """The record comes back from JSON text the same, and takes a few kilobytes."""
    figures = read_trace([trace, trace])

    text = json.dumps(figures.to_json_object(), allow_nan=False)

    assert Figures.from_json_object(json.loads(text)) == figures
    assert len(text) < 12_000


def test_unknown_fields_of_a_newer_writer_are_passed_over(trace):
    """A field this reader does not know does no harm."""
    document = read_trace([trace]).to_json_object() | {"moon_phase": 0.5}

    assert Figures.from_json_object(document) == read_trace([trace])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        pytest.param({"version": 2}, "version 2", id="later version"),
        pytest.param({"version": None}, "version None", id="no version"),
        pytest.param({"stalls": None}, "stalls must be an object", id="part missing"),
        pytest.param({"segments": 5}, "segments must be a list", id="no list"),
        pytest.param({"cliffs": [{"at_bytes": 1}]}, "lacks at_s", id="field missing"),
        pytest.param({"pattern": {"shape": "heap"}}, "lacks slide_share", id="pattern incomplete"),
    ],
)
def test_a_broken_record_is_refused(trace, change, words):
    """A record that is none is refused with a sentence that names the part."""
    document = read_trace([trace]).to_json_object() | change

    with pytest.raises(ValueError, match=words):
        Figures.from_json_object(document)


def test_a_probe_without_segments_is_refused():
    """Figures of nothing are refused."""
    with pytest.raises(ValueError, match="wrote nothing"):
        read_trace([])


def test_the_floor_from_figures_is_the_traces(trace):
    """The floor read from figures is that of the trace after its start-up, for any buffer."""
    figures, rest = read_trace([trace]), trace.after(read_trace([trace]).ramp_s)
    for buffer_s in (0, 0.3, 1, 3, 7, 20, 50):
        expected = floor(rest, buffer_s=buffer_s)
        found = figures.floor(buffer_s=buffer_s)

        assert found.uncapped_bytes_per_s == pytest.approx(expected.uncapped_bytes_per_s, rel=1.1e-3)
        assert found.bytes_per_s == pytest.approx(expected.bytes_per_s, rel=1.1e-3)
        assert found.limited_by_length is expected.limited_by_length
    for buffer_bytes in (0, 50 * MB, 400 * MB, 3 * GB):
        expected = floor(rest, buffer_bytes=buffer_bytes)

        assert figures.floor(buffer_bytes=buffer_bytes).bytes_per_s == pytest.approx(
            expected.bytes_per_s, rel=1.1e-3
        )


def test_a_start_up_is_no_floor():
    """Eight seconds of spinning up are named, and the floor is that of the disk."""
    figures = read_trace([SimulatedDrive(rate=stages((0, 180 * MB)), jitter=0.06, start_up_s=8).write(10e9)])

    assert figures.ramp_s == pytest.approx(8, abs=0.05)
    assert figures.floor(buffer_s=1).bytes_per_s == pytest.approx(180 * MB, rel=0.01)


def test_segments_are_never_joined():
    """Where segments differ the least counts, and cliffs and stalls go by the probe's own bytes."""
    first = SimulatedDrive(rate=stages((0, 400 * MB)), jitter=0.06).write(6e9)
    second = SimulatedDrive(rate=stages((0, 300 * MB), (3e9, 60 * MB)), jitter=0.06).write(4e9)

    figures = read_trace([first, second])

    assert figures.total_bytes == first.written_bytes + second.written_bytes
    assert figures.duration_s == pytest.approx(first.duration_s + second.duration_s)
    assert [cliff.at_bytes for cliff in figures.cliffs] == [
        pytest.approx(first.written_bytes + 3e9, rel=0.01)
    ]
    assert figures.cliffs[0].before_bytes_per_s == pytest.approx(300 * MB, rel=0.02)
    assert figures.cliffs[0].after_bytes_per_s == pytest.approx(60 * MB, rel=0.02)
    assert figures.lasting_bytes_per_s == pytest.approx(60 * MB, rel=0.02)
    assert figures.floor(buffer_s=1).bytes_per_s == pytest.approx(60 * MB, rel=0.02)
    assert figures.spread.median_bytes_per_s == pytest.approx(60 * MB, rel=0.02)


def test_a_moment_of_writing_between_two_pauses_does_not_decide():
    """A segment of a few blocks is kept but decides nothing where longer ones are."""
    long = SimulatedDrive(rate=stages((0, 400 * MB)), jitter=0.06).write(6e9)
    moment = Trace.from_points([0, 0.09], [0, 4_000_000])

    figures = read_trace([long, moment])

    assert len(figures.segments) == 2
    assert figures.floor(buffer_s=0).bytes_per_s > 300 * MB
    assert figures.lasting_bytes_per_s == pytest.approx(400 * MB, rel=0.01)
    assert read_trace([moment]).lasting_bytes_per_s == pytest.approx(4_000_000 / 0.09)


def test_an_average_that_hides_a_step():
    """A file of 49 GB in 279 s is 176 MB/s on average, yet ran near 120 MB/s from about 34 GB on.

    Common practice, no source: the kind of copy a practitioner takes a drive off the list for.
    """
    fast = 34.3e9 / (279 - 14.7e9 / (120 * MB))
    trace = SimulatedDrive(rate=stages((0, fast), (34.3e9, 120 * MB)), jitter=0.06).write(49e9)

    figures = read_trace([trace])

    assert figures.mean_bytes_per_s == pytest.approx(176 * MB, rel=0.01)
    assert figures.floor(buffer_s=1).bytes_per_s == pytest.approx(120 * MB, rel=0.01)
    assert [cliff.at_bytes for cliff in figures.cliffs] == [pytest.approx(34.3e9, rel=0.01)]
    assert figures.pattern.shape is Shape.ONE_CLIFF


def test_the_floor_over_the_buffer_rises():
    """Over growing buffers, in seconds and in bytes, the floor never falls."""
    figures = read_trace([DRIVE.write(9e9)])

    for curve in (figures.floor_over_seconds(), figures.floor_over_bytes()):
        rates = [found.bytes_per_s for _, found in curve]
        assert rates == sorted(rates)
        assert rates[0] < rates[-1]


def test_settled_needs_rounds_as_long_as_the_buffer():
    """A floor for a buffer longer than the rounds that were tested is not settled."""
    figures = read_trace([SimulatedDrive(rate=stages((0, 90 * MB)), jitter=0.06).write(90 * MB * 80)])

    assert figures.floor(buffer_s=1).settled
    assert not figures.floor(buffer_s=30).settled


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 3 * 10**6), st.integers(0, 10**8)), min_size=1, max_size=150),
    st.sampled_from([True, False, None]),
)
def test_any_trace_has_figures(steps, rotating):
    """Whatever the steps, a trace has figures that are finite, survive JSON and keep to the trace's floor."""
    assume(any(length for length, _ in steps))
    trace = Trace.from_steps([length for length, _ in steps], [moved for _, moved in steps])

    figures = read_trace([trace], rotating=rotating)

    text = json.dumps(figures.to_json_object(), allow_nan=False)
    assert Figures.from_json_object(json.loads(text)) == figures
    expected = floor(trace.after(figures.ramp_s), buffer_s=0.5).uncapped_bytes_per_s
    found = figures.floor(buffer_s=0.5).uncapped_bytes_per_s
    assert (found is None) is (expected is None)
    assert found is None or found == pytest.approx(expected, rel=1.1e-3, abs=1e-6)
