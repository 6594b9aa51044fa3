"""Step times kept apart from their document."""

import json
import random
import zlib

import pytest
from ebbmark_collector.store.packing import pack, unpack
from ebbmark_collector.store.step_times import put_back, take_out
from hypothesis import given
from hypothesis import strategies as st

TIMES = st.lists(st.integers(min_value=0, max_value=10**15 - 1), max_size=80)


def _document(*arrays: list[int]) -> bytes:
    trace = [{"step_us": times, "step_bytes": [8_388_608] * len(times)} for times in arrays]
    return json.dumps({"kind": "spot", "trace": trace}, separators=(",", ":")).encode()


@given(st.lists(TIMES, max_size=3))
def test_a_document_with_traces_comes_back_as_it_was(arrays: list[list[int]]) -> None:
    """Whatever its step times are, and however many traces it has, not a byte differs."""
    document = _document(*arrays)

    assert unpack(pack(document)) == document
    assert put_back(*take_out(document)) == document


@given(st.lists(st.text(alphabet="0123456789", min_size=1, max_size=6), min_size=32, max_size=40))
def test_digits_nobody_would_write_come_back_too(digits: list[str]) -> None:
    """Numbers with leading zeros are no numbers in JSON (RFC 8259, section 6); they are kept as text."""
    document = b'{"step_us":[' + ",".join(digits).encode() + b"]}"

    assert unpack(pack(document)) == document


def test_an_empty_trace_beside_a_long_one_is_not_taken_for_its_place() -> None:
    """A document that has an empty array already comes back with it."""
    document = _document([], list(range(20_000, 20_100)), [])

    assert unpack(pack(document)) == document


def test_step_times_take_a_quarter_less_than_their_digits_compressed() -> None:
    """A spot of 256 blocks whose times vary by a twentieth."""
    chance = random.Random(1)
    document = _document([int(chance.gauss(21_000, 1_000)) for _ in range(256)])

    assert len(pack(document)) * 4 < len(zlib.compress(document)) * 3


def test_a_damaged_step_time_is_said() -> None:
    """A flipped bit among the step times is found, as zlib finds one in the rest."""
    blob = bytearray(pack(_document(list(range(20_000, 20_100)))))
    blob[-1] ^= 1

    with pytest.raises(zlib.error):
        unpack(bytes(blob))
