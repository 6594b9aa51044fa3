"""Puts rates, sizes and lengths of recording into words for people; programs take the plain numbers."""


def spoken_rate(rate_bytes_per_s: float) -> str:
    """Write a rate in MB/s (10^6 bytes), to four digits."""
    mb_per_s = rate_bytes_per_s / 1e6
    return f"{mb_per_s:.0f} MB/s" if mb_per_s >= 1000 else f"{mb_per_s:.4g} MB/s"


def spoken_bytes(count: float) -> str:
    """Write a number of bytes in MB, GB or TB (powers of ten), to three digits."""
    for power, unit in ((1e12, "TB"), (1e9, "GB")):
        if count >= power:
            return f"{count / power:.3g} {unit}"
    return f"{count / 1e6:.3g} MB"


def spoken_minutes(minutes: float) -> str:
    """Write a length of recording: `22.5 s`, `14 min`, `3 h 20 min`. Rounded down, never up."""
    seconds = minutes * 60
    if seconds < 120:
        return f"{int(seconds * 10 + 1e-6) / 10:g} s"
    if minutes < 10:
        return f"{int(minutes * 10 + 1e-9) / 10:g} min"
    if minutes < 120:
        return f"{int(minutes + 1e-9)} min"
    hours, rest = divmod(int(minutes), 60)
    return f"{hours} h {rest} min" if rest else f"{hours} h"
