"""What happens by the clock: judging, silence, messages out, retention; one leader however many workers."""

from ebbmark_collector.rounds.fleet import judge_fleet, keep_within_retention, listen_for_silence
from ebbmark_collector.rounds.leading import Rounds
from ebbmark_collector.rounds.messages import Post, deliver, gather, open_post

__all__ = [
    "Post",
    "Rounds",
    "deliver",
    "gather",
    "judge_fleet",
    "keep_within_retention",
    "listen_for_silence",
    "open_post",
]
