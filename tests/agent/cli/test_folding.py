"""What the command prints fits the terminal it is printed to."""

import pytest
from ebbmark_agent.cli.folding import folded
from ebbmark_agent.cli.progress import figures
from ebbmark_agent.probe import Phase, Progress
from hypothesis import given
from hypothesis import strategies as st

NOW = Progress(
    phase=Phase.WRITING,
    done_bytes=1_230_000_000,
    target_bytes=200_000_000_000,
    elapsed_s=10.0,
    rate_now_bytes_per_s=431_400_000.0,
    floor_so_far_bytes_per_s=398_000_000.0,
    left_s=480.0,
    temperature_c=51.0,
)


def test_a_labelled_line_goes_on_under_its_text() -> None:
    """A row of label and text is folded so that the label's column stays empty."""
    found = folded("  note      one two three four five six seven eight nine ten", width=40)

    assert found == "  note      one two three four five six\n            seven eight nine ten"


def test_a_label_of_two_words_is_one() -> None:
    """A label with a blank in it ends where its padding begins."""
    found = folded("  from rest   one two three four five six seven eight", width=40)

    assert found.splitlines()[1] == "              six seven eight"


def test_a_sentence_goes_on_two_further_in() -> None:
    """A line without a label is folded with an indent of two more."""
    assert folded("  " + "word " * 12, width=42).splitlines()[1].startswith("    word")


@given(st.text("ab \n", max_size=300), st.integers(40, 120))
def test_folding_keeps_every_word_in_order(text: str, width: int) -> None:
    """Only blanks and line ends are moved."""
    assert folded(text, width=width).split() == text.split()


@given(st.lists(st.text("ab", min_size=1, max_size=15), max_size=40), st.integers(40, 120))
def test_no_line_is_wider_than_the_terminal(words: list[str], width: int) -> None:
    """However the words fall, each line fits."""
    assert all(len(line) <= width for line in folded("  " + " ".join(words), width=width).split("\n"))


@pytest.mark.parametrize(
    ("room", "says"),
    [
        (80, "1.23 of 200.00 GB, 431 MB/s, floor so far 398, 51 C"),
        (46, "1.23 of 200.00 GB, 431 MB/s, floor so far 398"),
        (32, "1.23 of 200.00 GB, 431 MB/s"),
        (20, "1.23 of 200.00 GB"),
    ],
)
def test_the_bars_figures_leave_out_what_has_no_room(room: int, says: str) -> None:
    """A bar that does not fit would be printed anew on a line of its own twice a second."""
    assert figures(NOW, room=room) == says
