"""What one probe shows of one drive, and what that means for what is to be recorded: pure computation."""

from ebbmark_agent.evidence.figures import Cliff, Figures, SegmentFigures, read_trace
from ebbmark_agent.evidence.floor import Floor, floor
from ebbmark_agent.evidence.patterns import Pattern, Shape
from ebbmark_agent.evidence.plateaus import Plateau, plateaus
from ebbmark_agent.evidence.spread import Spread, spread
from ebbmark_agent.evidence.stalls import Stall, Stalls, find_stalls
from ebbmark_agent.evidence.steady import Settling, SteadyState, settling, steady_state
from ebbmark_agent.evidence.trace import Trace
from ebbmark_agent.evidence.windows import Window

__all__ = [
    "Cliff",
    "Figures",
    "Floor",
    "Pattern",
    "Plateau",
    "SegmentFigures",
    "Settling",
    "Shape",
    "Spread",
    "Stall",
    "Stalls",
    "SteadyState",
    "Trace",
    "Window",
    "find_stalls",
    "floor",
    "plateaus",
    "read_trace",
    "settling",
    "spread",
    "steady_state",
]
