"""Reads the kernel's files below a root folder, so that tests can hand in a tree of their own."""

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, kw_only=True)
class Tree:
    """A file tree with `/sys`, `/proc`, `/dev` and `/run` in it; what cannot be read is None or empty."""

    root: Path

    def at(self, path: str) -> Path:
        """Give the place of an absolute path in this tree."""
        return self.root / path.lstrip("/")

    def text(self, path: Path, *, limit: int = 1 << 20) -> str | None:
        """Read a small file, without blanks around it."""
        try:
            with path.open("rb") as stream:
                return stream.read(limit).decode("utf-8", errors="replace").strip("\n\x00 \t")
        except OSError:
            return None

    def number(self, path: Path) -> int | None:
        """Read a file that holds one whole number."""
        text = self.text(path)
        try:
            return int(text) if text else None
        except ValueError:
            return None

    def flag(self, path: Path) -> bool | None:
        """Read a file that holds 0 or 1."""
        number = self.number(path)
        return None if number is None else number != 0

    def names(self, path: Path) -> tuple[str, ...]:
        """List a folder in the order of its names."""
        try:
            return tuple(sorted(place.name for place in path.iterdir()))
        except OSError:
            return ()

    def real(self, path: Path) -> Path:
        """Follow links to where a device really sits."""
        return path.resolve()

    def ancestry(self, path: Path) -> tuple[Path, ...]:
        """Give a device's folder and those above it, nearest first, up to `/sys/devices`."""
        end = self.at("/sys/devices").resolve()
        real = self.real(path)
        return tuple(place for place in (real, *real.parents) if end in place.parents)
