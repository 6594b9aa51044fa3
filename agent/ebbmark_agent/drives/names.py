"""Which words count as a drive's own name, and in what one form each kind of name is kept."""

import re

# Values makers leave in a serial field that was never filled: counting up, or one character over and over.
_COUNTING = "0123456789abcdefghijklmnopqrstuvwxyz"
_MIN_SERIAL_LENGTH = 3


def clean(text: str | None) -> str | None:
    """Give a name without blanks around it and with single blanks inside; None if nothing is left."""
    if text is None:
        return None
    joined = " ".join("".join(char if char.isprintable() else " " for char in text).split())
    return joined[:256] or None


def true_serial(text: str | None) -> str | None:
    """Give a serial number if it can name one drive.

    Args:
        text: what the device answers.

    Returns:
        The serial; None where the field is empty or plainly a filling: one character repeated, a run that
        counts up, or fewer than three characters.
    """
    serial = clean(text)
    if serial is None or len(serial) < _MIN_SERIAL_LENGTH:
        return None
    bare = re.sub(r"[^0-9a-z]", "", serial.lower())
    if not bare or len(set(bare)) == 1 or _counts_up(bare):
        return None
    return serial


def _counts_up(bare: str) -> bool:
    if bare.startswith("1234567890"):
        return True
    start = _COUNTING.find(bare[0])
    return len(bare) >= 6 and _COUNTING.startswith(bare, max(start, 0))


def wwn(text: str | None) -> str | None:
    """Give a world-wide name in one form, `0x` and lower-case digits.

    Args:
        text: as the kernel or udev writes it: `naa.5…`, `0x5…` or bare digits.

    Returns:
        None unless it is an NAA name of a registered type (2, 5 or 6) and not all zero.
    """
    if text is None:
        return None
    digits = text.strip().lower().removeprefix("naa.").removeprefix("0x")
    if not re.fullmatch(r"[0-9a-f]{16}|[0-9a-f]{32}", digits):
        return None
    return f"0x{digits}" if digits[0] in "256" and digits.strip("0") != digits[0] else None


def hex_name(text: str | None, *, digits: int) -> str | None:
    """Give an EUI-64 or NGUID as bare lower-case hexadecimal.

    Args:
        text: as the kernel writes it, with or without separators.
        digits: how many digits such a name has: 16 for an EUI-64, 32 for an NGUID.

    Returns:
        None if it has another length or is all zero, which is how a drive says that it has none.
    """
    if text is None:
        return None
    bare = re.sub(r"[^0-9a-f]", "", text.strip().lower().removeprefix("eui.").removeprefix("0x"))
    return bare if len(bare) == digits and bare.strip("0") else None
