"""The recorder a rehearsal plays: frames come at a constant rate, wait in its buffer, are late if it is full.

Pure arithmetic on the time since the rehearsal's begin; `rehearsal` does the writing.

1. Frame k is complete at k frame times; from then on it takes its place in the buffer.
2. Its place is free again when the write that holds it has completed.
3. A frame that finds more in the buffer than the buffer holds is late: a recorder would have lost it.
"""

from dataclasses import dataclass


@dataclass(kw_only=True)
class Recorder:
    """A recorder's buffer, followed write by write.

    Attributes:
        rate_bytes_per_s: Its rate [bytes/s].
        frames_per_s: Its frames a second [1/s].
        buffer_bytes: What its buffer holds [bytes].
        total_bytes: What it records in all [bytes].
        frames: Frames complete so far [1].
        late_frames: Frames that found the buffer full [1].
        high_water_bytes: The most the buffer had to hold [bytes].
    """

    rate_bytes_per_s: float
    frames_per_s: float
    buffer_bytes: float
    total_bytes: int
    frames: int = 0
    late_frames: int = 0
    high_water_bytes: float = 0.0
    _on_medium_bytes: int = 0

    def due_s(self, up_to_byte: int) -> float:
        """Give when the recorder has produced its bytes up to here [s]: when their last frame is complete."""
        frame_bytes = self.rate_bytes_per_s / self.frames_per_s
        frame = min(-(-up_to_byte // frame_bytes), self._last_frame())
        return frame / self.frames_per_s

    def completed(self, at_s: float, up_to_byte: int) -> None:
        """Take note that a write up to a byte has completed at a time [s]."""
        frame_bytes = self.rate_bytes_per_s / self.frames_per_s
        by_now = min(int(at_s * self.frames_per_s), self._last_frame())
        if by_now > self.frames:
            # Nothing reached the medium since the last completion, so every frame between met the same state.
            room_for = (self.buffer_bytes + self._on_medium_bytes) / frame_bytes
            self.late_frames += by_now - max(self.frames, min(by_now, int(room_for + 1e-9)))
            self.frames = by_now
        self.high_water_bytes = max(
            self.high_water_bytes, min(self.total_bytes, self.frames * frame_bytes) - self._on_medium_bytes
        )
        self._on_medium_bytes = up_to_byte

    def _last_frame(self) -> int:
        return max(1, round(self.total_bytes * self.frames_per_s / self.rate_bytes_per_s))
