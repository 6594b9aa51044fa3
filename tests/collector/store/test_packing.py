"""Documents packed from a preset dictionary."""

import random
import zlib

import pytest
from ebbmark_collector.store.packing import pack, unpack
from hypothesis import given
from hypothesis import strategies as st

from tests.collector import wire
from tests.collector.conftest import NOON

CHECKSUM = 0xA7F841BC
HEALTH = wire.health(NOON).model_dump_json().encode()


@given(st.binary())
def test_what_is_packed_comes_back(document: bytes) -> None:
    """Any bytes come back as they were."""
    assert document == unpack(pack(document))


def test_a_stream_without_a_dictionary_is_read() -> None:
    """A plain zlib stream, as RFC 1950 defines it, is read as well."""
    assert unpack(zlib.compress(HEALTH)) == HEALTH


def test_a_packed_stream_names_its_dictionary() -> None:
    """Its header has FDICT set and the dictionary's Adler-32 next to it (RFC 1950, section 2.2)."""
    from ebbmark_collector.store.packing import _WORDS

    blob = pack(HEALTH)

    assert blob[1] & 0x20
    assert zlib.adler32(_WORDS) == int.from_bytes(blob[2:6], "big")


def test_the_dictionary_is_the_one_databases_hold() -> None:
    """Its checksum never changes: another dictionary would leave every kept document unreadable."""
    from ebbmark_collector.store.packing import _WORDS

    assert zlib.adler32(_WORDS) == CHECKSUM


def test_a_health_report_packs_to_less_than_half_of_what_zlib_makes_of_it() -> None:
    """Short documents are what the dictionary is for."""
    assert len(pack(HEALTH)) * 5 < len(zlib.compress(HEALTH)) * 2


@pytest.mark.parametrize("length", [1_000, 4_096, 4_097])
def test_the_end_of_a_document_is_told_in_the_first_of_the_words(length: int) -> None:
    """The packer for short documents is small, yet its window holds one and every word before it."""
    from ebbmark_collector.store.packing import _WORDS

    said_before = _WORDS[:300]
    unlike = random.Random(length).randbytes(length).hex()[: length - len(said_before)].encode()

    assert len(pack(unlike + said_before)) < len(pack(unlike)) + 30
    assert unpack(pack(unlike + said_before)) == unlike + said_before


def test_an_unknown_dictionary_is_not_guessed_at() -> None:
    """A stream that names another dictionary is refused, not read as nonsense."""
    packer = zlib.compressobj(zdict=b"other words")
    blob = packer.compress(HEALTH) + packer.flush()

    with pytest.raises(KeyError):
        unpack(blob)
