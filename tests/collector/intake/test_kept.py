"""What a worker keeps of each drive between two looks."""

from ebbmark_collector.intake.kept import Kept
from hypothesis import given
from hypothesis import strategies as st


class _Rows:
    """A store's rows by mark, that counts what was read of it."""

    def __init__(self) -> None:
        self.read: list[int] = []

    def fetch(self, unknown: list[int]) -> dict[int, str]:
        self.read += unknown
        return {mark: f"row {mark}" for mark in unknown}


def test_what_is_known_is_not_read_again() -> None:
    """Only marks that are new are read, and a series comes in the order of its marks."""
    rows, kept = _Rows(), Kept[int, str](100)
    assert kept.series("a", [1, 2], rows.fetch) == ("row 1", "row 2")
    assert kept.series("a", [2, 3], rows.fetch) == ("row 2", "row 3")
    assert kept.series("a", [2, 3], rows.fetch) == ("row 2", "row 3")
    assert rows.read == [1, 2, 3]


def test_another_judgement_is_read() -> None:
    """A value whose mark has changed is read, whatever was kept under the old one."""
    rows, kept = _Rows(), Kept[int, str](100)
    kept.series("a", [1], rows.fetch)
    assert kept.series("a", [9], rows.fetch) == ("row 9",)


def test_drives_do_not_share() -> None:
    """The same mark of another drive is another value."""
    rows, kept = _Rows(), Kept[int, str](100)
    kept.series("a", [1], rows.fetch)
    kept.series("b", [1], rows.fetch)
    assert rows.read == [1, 1]


def test_what_fits_is_kept_of_more_drives_than_fit() -> None:
    """Looked at in turn, round after round, three drives of five are read once and the others each time."""
    rows, kept = _Rows(), Kept[int, str](6)
    for _ in range(3):
        for number, drive in enumerate("abcde"):
            kept.series(drive, [2 * number, 2 * number + 1], rows.fetch)
    assert [rows.read.count(mark) for mark in range(0, 10, 2)] == [1, 1, 1, 3, 3]


def test_drives_that_are_gone_make_room() -> None:
    """Of drives that are asked for no more nothing is kept in the end."""
    rows, kept = _Rows(), Kept[int, str](4)
    for drive in ("gone", "away"):
        kept.series(drive, [1, 2], rows.fetch)
    for _ in range(40):
        for drive in ("here", "there"):
            kept.series(drive, [1, 2], rows.fetch)
    rows.read.clear()
    for drive in ("here", "there"):
        kept.series(drive, [1, 2], rows.fetch)
    assert rows.read == []


@given(looks=st.lists(st.tuples(st.sampled_from("abcdef"), st.integers(0, 9)), max_size=60))
def test_no_more_is_kept_than_the_most(looks: list[tuple[str, int]]) -> None:
    """Whatever is asked for, growing or shrinking: what is not read again is at most what may be kept."""
    rows, kept = _Rows(), Kept[int, str](12)
    for drive, count in looks:
        kept.series(drive, list(range(count)), rows.fetch)
    rows.read.clear()
    last = dict(looks)
    for drive, count in last.items():
        kept.series(drive, list(range(count)), rows.fetch)
    assert sum(last.values()) - len(rows.read) <= 12


@given(
    looks=st.lists(st.tuples(st.sampled_from("ab"), st.lists(st.integers(0, 9), unique=True)), max_size=12)
)
def test_a_series_is_that_of_the_store(looks: list[tuple[str, list[int]]]) -> None:
    """Whatever is asked for in turn, in any order and with any gaps, each mark has its own value."""
    rows, kept = _Rows(), Kept[int, str](12)
    for drive, marks in looks:
        assert kept.series(drive, marks, rows.fetch) == tuple(f"row {mark}" for mark in marks)


def test_a_window_that_moves_on_reads_only_what_is_new() -> None:
    """The oldest leave, the newest is another one by the next look: one value is read a look."""
    rows, kept = _Rows(), Kept[int, str](100)
    kept.series("a", [*range(50), 1000], rows.fetch)
    rows.read.clear()
    for day in range(50, 60):
        kept.series("a", [*range(day - 49, day + 1), 1000 + day], rows.fetch)
    assert rows.read == [read for day in range(50, 60) for read in (day, 1000 + day)]
