"""The drawings: every dip kept, units said, readable without colour and without eyes."""

from itertools import pairwise
from xml.etree import ElementTree

import pytest
from ebbmark_agent.evidence import Trace, chart, fit, read_trace, terminal_chart
from ebbmark_agent.evidence.chart import ticks
from ebbmark_agent.evidence.rate_columns import rate_columns
from hypothesis import given
from hypothesis import strategies as st

from tests.agent.evidence.judging import GB, MB, asked, evidence, staged

SVG = "{http://www.w3.org/2000/svg}"
CLIFF = staged((540 * MB, 40 * GB), (130 * MB, 60 * GB), block_bytes=32 * MB)


def _drawn(trace: Trace, mb_per_s: float = 200) -> ElementTree.Element:
    probe = evidence(trace)
    judged = fit(probe, asked(mb_per_s, headroom=1.2))
    return ElementTree.fromstring(chart([trace], figures=probe.figures, judged=judged, title="Reel <A> & B"))


def _words(root: ElementTree.Element) -> list[str]:
    return [each.text or "" for each in root.iter(f"{SVG}text")]


def test_a_chart_is_well_formed_and_described() -> None:
    """The SVG parses, escapes its title, and says in words what it shows."""
    root = _drawn(CLIFF)
    title, description = root.find(f"{SVG}title"), root.find(f"{SVG}desc")

    assert root.get("role") == "img"
    assert title is not None
    assert title.text == "Reel <A> & B"
    assert description is not None
    assert description.text is not None
    assert "steps down at 40 GB from 540 MB/s to 130 MB/s" in description.text
    assert "Asked are 240 MB/s: unfit." in description.text


def test_units_and_levels_are_labelled() -> None:
    """Both axes carry their unit; asked, recording, floor and cliff carry their values."""
    words = _words(_drawn(CLIFF))

    for wanted in (
        "written, GB",
        "rate, MB/s",
        "asked 240 MB/s",
        "recording 200 MB/s",
        "floor 130 MB/s",
        "cliff at 40 GB",
    ):
        assert wanted in words


def test_lines_differ_by_dash_and_not_by_colour_alone() -> None:
    """In grey the asked line, the recording's and the floor's are still told apart."""
    root = _drawn(CLIFF)
    across = [
        each
        for each in root.iter(f"{SVG}line")
        if each.get("y1") == each.get("y2") and each.get("stroke") != "#e6e6e6"
    ]
    dashes = {each.get("stroke-dasharray") for each in across}

    assert {"9 5", "2 4", None} <= dashes


def test_labels_do_not_overlap() -> None:
    """Levels close together have their labels moved apart, inside the picture."""
    root = _drawn(staged((201 * MB, 40 * GB), block_bytes=32 * MB), mb_per_s=199)
    labels = sorted(
        float(each.get("y", "0")) for each in root.iter(f"{SVG}text") if each.get("font-weight") == "bold"
    )[1:]

    assert len(labels) == 3
    assert all(after - before >= 16 for before, after in pairwise(labels))
    assert labels[-1] < float(root.get("height", "0"))


def test_a_short_stall_is_still_seen() -> None:
    """One stall of 0.4 s in 100 GB stays visible in the drawing's slowest line."""
    times, totals = [0.0], [0.0]
    for at in range(4000):
        times.append(times[-1] + (0.4 if at == 2000 else 0.05))
        totals.append(totals[-1] + 25 * MB)
    trace = Trace.from_points(times, totals)

    columns = rate_columns([trace], 600)

    assert min(each.slowest_bytes_per_s for each in columns) == pytest.approx(62.5 * MB)


@given(
    st.lists(st.tuples(st.floats(0.06, 3), st.floats(1, 500)), min_size=1, max_size=60), st.integers(1, 80)
)
def test_columns_keep_the_slowest_and_the_fastest(taken: list[tuple[float, float]], count: int) -> None:
    """Whatever the number of columns, the slowest and the fastest step are among them."""
    times, totals = [0.0], [0.0]
    for seconds, megabytes in taken:
        times.append(times[-1] + seconds)
        totals.append(totals[-1] + megabytes * MB)
    trace = Trace.from_points(times, totals)
    rates = [megabytes * MB / seconds for seconds, megabytes in taken]

    columns = rate_columns([trace], count)

    assert len(columns) == count
    assert min(each.slowest_bytes_per_s for each in columns) == pytest.approx(min(rates))
    assert max(each.fastest_bytes_per_s for each in columns) == pytest.approx(max(rates))


def test_the_last_bytes_are_drawn() -> None:
    """Blocks too short to have a rate of their own leave no hole at the end."""
    times, totals = [0.0], [0.0]
    for at in range(100):
        times.append(times[-1] + (0.1 if at < 90 else 0.001))
        totals.append(totals[-1] + 10 * MB)

    columns = rate_columns([Trace.from_points(times, totals)], 100)

    assert min(each.slowest_bytes_per_s for each in columns) == pytest.approx(100 * MB)


def test_pauses_are_marked() -> None:
    """A probe of two segments shows where it paused."""
    half = staged((200 * MB, 20 * GB), block_bytes=32 * MB)
    drawn = chart([half, half], figures=read_trace([half, half]))

    assert ">pause<" in drawn


def test_without_a_judgement_only_the_trace_is_drawn() -> None:
    """A probe for no role has no asked line."""
    drawn = chart([CLIFF], figures=read_trace([CLIFF]))

    assert "asked" not in drawn
    assert "cliff at 40 GB" in drawn


@given(st.floats(1, 1e13), st.integers(3, 12))
def test_ticks_are_round_and_few(top: float, most: int) -> None:
    """Axis marks begin at zero, are evenly spaced and never more than asked for, plus the zero."""
    found = ticks(top, most)

    assert found[0] == 0
    assert 2 <= len(found) <= most + 1
    assert found[-1] <= top


def test_a_terminal_drawing_shows_where_footage_is_at_risk() -> None:
    """Past the cliff the line of what was asked stands free; before it, it is covered."""
    judged = fit(evidence(CLIFF), asked(200, headroom=1.2))
    drawn = terminal_chart([CLIFF], judged=judged, width=60, height=10)
    line = next(row for row in drawn.splitlines() if "┼" in row).split("┼")[1]

    assert line.startswith("████")
    assert line.endswith("────")
    assert line.count("█") == pytest.approx(0.4 * len(line), abs=1)
    assert "asked 240 MB/s, floor 130 MB/s" in drawn


def test_a_plain_drawing_is_ascii() -> None:
    """A terminal without Unicode gets the same drawing in ASCII."""
    judged = fit(evidence(CLIFF), asked(200))
    drawn = terminal_chart([CLIFF], judged=judged, plain=True)

    assert drawn.isascii()
    assert len(drawn.splitlines()) == 16
    assert max(len(line) for line in drawn.splitlines()) <= 72


@pytest.mark.parametrize(("width", "height"), [(29, 12), (72, 3)])
def test_no_room_to_draw(width: int, height: int) -> None:
    """A drawing without room is refused with the least size."""
    with pytest.raises(ValueError, match="at least 30 x 4"):
        terminal_chart([CLIFF], width=width, height=height)


def test_nothing_to_draw() -> None:
    """No trace is refused with a sentence."""
    with pytest.raises(ValueError, match="nothing to draw"):
        rate_columns([], 10)


def test_blocks_that_come_in_bursts_are_drawn_at_the_rate_they_came() -> None:
    """A drive that takes three blocks at once and then waits is drawn at its mean, not at the wait's rate."""
    times, totals = [0.0], [0.0]
    for at in range(400):
        times.append(times[-1] + (0.09 if at % 4 == 3 else 0.005))
        totals.append(totals[-1] + 5 * MB)
    mean = totals[-1] / times[-1]

    columns = rate_columns([Trace.from_points(times, totals)], 20)

    assert all(each.mean_bytes_per_s == pytest.approx(mean, rel=0.08) for each in columns)
    assert all(each.slowest_bytes_per_s <= mean * 1.01 <= each.fastest_bytes_per_s * 1.05 for each in columns)


@given(st.floats(1, 3000), st.integers(2, 300), st.integers(1, 80))
def test_the_line_of_a_constant_rate_is_that_rate(megabytes_per_s: float, steps: int, count: int) -> None:
    """Whatever the columns, and across a pause, a drive of one rate is drawn as one level line."""
    rate = megabytes_per_s * MB
    trace = Trace.from_points(
        [at * 0.1 for at in range(steps + 1)], [at * 0.1 * rate for at in range(steps + 1)]
    )

    columns = rate_columns([trace, trace], count)

    assert [each.mean_bytes_per_s for each in columns] == pytest.approx([rate] * count)
