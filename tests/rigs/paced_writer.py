"""A recorder's stand-in in a process of its own: whole frames at their deadlines, with a small buffer.

It reads one command a line: `take FRAMES` records that many frames into a file laid out beforehand and
answers with one JSON object: frames, frames lost, the longest a frame waited [s]. A frame is lost when it
has to wait longer than the buffer lasts.
"""

import json
import mmap
import os
import sys
import threading
import time
from pathlib import Path

ALIGNMENT = 4096
PORTION = 1 << 19  # [bytes] recorders hand a frame over in portions; half a MiB is common practice, no source


def record(
    path: str, *, frames: int, frame_bytes: int, frames_per_s: float, buffer_s: float
) -> dict[str, float]:
    """Record one take and say how it went."""
    data = mmap.mmap(-1, frame_bytes)
    data.write(os.urandom(frame_bytes))
    view = memoryview(data)
    room = Path(path).stat().st_size // frame_bytes
    pause = threading.Event()
    descriptor = os.open(path, os.O_WRONLY | os.O_DIRECT)
    lost, longest_s = 0, 0.0
    began_s = time.monotonic()
    try:
        for number in range(frames):
            arrives_s = began_s + number / frames_per_s
            while (early_s := arrives_s - time.monotonic()) > 0:
                pause.wait(early_s)
            frame_at = (number % room) * frame_bytes
            for at in range(0, frame_bytes, PORTION):
                os.pwrite(descriptor, view[at : at + PORTION], frame_at + at)
            waited_s = time.monotonic() - arrives_s
            longest_s = max(longest_s, waited_s)
            lost += waited_s > buffer_s
    finally:
        os.close(descriptor)
        view.release()
        data.close()
    return {"frames": frames, "lost": lost, "longest_s": longest_s, "began_s": began_s}


def lay_out(path: str, size: int) -> None:
    """Write the file once, so that a take only overwrites: a recorder's preallocated clip."""
    with open(path, "wb") as file:  # noqa: PTH123 - a script of plain system calls
        block = os.urandom(1 << 20)
        file.writelines(block for _ in range(size >> 20))
        file.flush()
        os.fsync(file.fileno())


def main() -> None:
    """Serve takes until standard input ends."""
    path, frame_bytes, frames_per_s, buffer_s = sys.argv[1:5]
    frame = int(frame_bytes) // ALIGNMENT * ALIGNMENT
    lay_out(path, frame * 16 + (1 << 20))
    print(json.dumps({"ready": True}), flush=True)
    for line in sys.stdin:
        _, frames = line.split()
        took = record(
            path,
            frames=int(frames),
            frame_bytes=frame,
            frames_per_s=float(frames_per_s),
            buffer_s=float(buffer_s),
        )
        print(json.dumps(took), flush=True)


if __name__ == "__main__":
    main()
