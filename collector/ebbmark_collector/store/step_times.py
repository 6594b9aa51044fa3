"""Step times taken out of a document for keeping: whole numbers as bytes, low and high ones apart.

1. A trace's step times are digits that no compressor finds a repeat in, and most of a spot's report. As
   differences from their median, split into planes of low and high bytes, they take a little more than what
   they really tell; DEFLATE's Huffman coding alone does for the high planes (RFC 1951, section 3.2.7).
2. What comes back is the same, byte for byte: an array is taken out only if writing its numbers again gives
   the very text.
"""

import re
import statistics
import zlib

_ARRAY = re.compile(rb'"step_us":\[(\d{1,15}(?:,\d{1,15}){31,})\]')
_BEGINS = b'"step_us":['
_HOLE = b'"step_us":[]'
_PLANE_LEVEL = 6  # [1]


def take_out(document: bytes) -> tuple[bytes, bytes]:
    """Take the long arrays of step times out of a document.

    Returns:
        The document with empty arrays in their place, and the arrays packed; nothing if there were none or
        they would not come back as they were.
    """
    if _BEGINS not in document:  # most documents are of health: a plain search is quicker there
        return document, b""
    arrays = _ARRAY.findall(document)
    # An array that is empty already would be taken for a hole.
    if not arrays or _HOLE in document:
        return document, b""
    packed = []
    for text in arrays:
        numbers = list(map(int, text.split(b",")))
        if _written(numbers) != text:
            return document, b""
        packed.append(_planes(numbers))
    return _ARRAY.sub(_HOLE, document), b"".join(packed)


def put_back(document: bytes, packed: bytes) -> bytes:
    """Give a document with its arrays back in their places."""
    if not packed:
        return document
    parts = document.split(_HOLE)
    whole, at = [parts[0]], 0
    for part in parts[1:]:
        numbers, at = _read_planes(packed, at)
        whole += [_BEGINS, _written(numbers), b"]", part]
    return b"".join(whole)


def _written(numbers: list[int]) -> bytes:
    return ",".join(map(str, numbers)).encode()


def _planes(numbers: list[int]) -> bytes:
    """Pack numbers: how many, their median, how long the high planes are, then low plane and high planes."""
    middle = int(statistics.median_low(numbers))
    folded = [(n - middle) << 1 if n >= middle else ((middle - n) << 1) - 1 for n in numbers]
    width = (max(folded).bit_length() + 7) // 8
    low = bytes([n & 0xFF for n in folded])
    high = b"".join(bytes([n >> shift & 0xFF for n in folded]) for shift in range(8, width * 8, 8))
    packer = zlib.compressobj(_PLANE_LEVEL, zlib.DEFLATED, -15, 8, zlib.Z_HUFFMAN_ONLY)
    short = packer.compress(high) + packer.flush() if high else b""
    return _number(len(numbers)) + _number(middle) + _number(len(short)) + low + short


def _read_planes(packed: bytes, at: int) -> tuple[list[int], int]:
    count, at = _read_number(packed, at)
    middle, at = _read_number(packed, at)
    short, at = _read_number(packed, at)
    folded = list(packed[at : at + count])
    at += count
    high = zlib.decompress(packed[at : at + short], -15) if short else b""
    for place in range(0, len(high), count):
        shift = 8 * (place // count + 1)
        folded = [n | (byte << shift) for n, byte in zip(folded, high[place : place + count], strict=True)]
    return [middle - ((n + 1) >> 1) if n & 1 else middle + (n >> 1) for n in folded], at + short


def _number(value: int) -> bytes:
    """Write a number seven bits a byte, the least first, the last byte without its high bit."""
    out = bytearray()
    while value > 0x7F:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    out.append(value)
    return bytes(out)


def _read_number(packed: bytes, at: int) -> tuple[int, int]:
    value = shift = 0
    while True:
        byte = packed[at]
        at += 1
        value |= (byte & 0x7F) << shift
        if not byte & 0x80:
            return value, at
        shift += 7
