"""Signs of camera originals on a medium: folder shapes and file kinds that recorders and cameras leave.

It errs towards seeing clips: a medium that only looks as if it held some is not written to.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import PurePath

# Folder names at or near a medium's top. DCIM: Design rule for Camera File system, JEITA CP-3461 (from
# memory); BDMV and AVCHD: the disc formats' directory layout; the others: common practice, no source.
CLIP_FOLDERS = frozenset(
    {
        "dcim",
        "private",
        "avchd",
        "bdmv",
        "clip",
        "clips",
        "contents",
        "xdroot",
        "bpav",
        "reel",
        "audio",
        "takes",
    }
)
# fmt: off
# File kinds that hold picture or sound: common practice, no source.
CLIP_SUFFIXES = frozenset(
    {
        ".mov", ".mxf", ".mp4", ".m4v", ".mts", ".m2ts", ".avi", ".mkv", ".r3d", ".braw", ".ari",
        ".arx", ".crm", ".nev", ".dng", ".dpx", ".exr", ".cin", ".wav", ".bwf", ".aif", ".aiff",
        ".jpg", ".jpeg", ".cr2", ".cr3", ".nef", ".arw", ".raf", ".heic", ".tif", ".tiff",
    }
)
# fmt: on
MOST_ENTRIES = 200_000  # [1] looked at before giving up: then the medium counts as not looked through


@dataclass(frozen=True, kw_only=True)
class ClipSigns:
    """What looking through a medium found; `example` stays on this machine."""

    clips: int
    complete: bool
    example: str | None = None


def is_clip_sign(relative: PurePath, *, is_folder: bool) -> bool:
    """Say whether an entry of a medium is a sign of clips.

    Args:
        relative: Its path from the medium's top.
        is_folder: Whether it is a folder.
    """
    if is_folder:
        return len(relative.parts) <= 2 and relative.name.lower() in CLIP_FOLDERS
    return relative.suffix.lower() in CLIP_SUFFIXES


def look_for_clips(entries: Iterable[tuple[PurePath, bool]], *, most: int = MOST_ENTRIES) -> ClipSigns:
    """Count signs of clips among a medium's entries.

    Args:
        entries: Paths from the medium's top, each with whether it is a folder.
        most: How many entries to look at [1].

    Returns:
        The signs; `complete` is False if there were more entries than that.
    """
    clips, example = 0, None
    for count, (relative, is_folder) in enumerate(entries):
        if count >= most:
            return ClipSigns(clips=clips, complete=False, example=example)
        if is_clip_sign(relative, is_folder=is_folder):
            clips += 1
            example = example or str(relative)
    return ClipSigns(clips=clips, complete=True, example=example)
