"""What one probe shows of one drive, and what that means for what is to be recorded: pure computation."""

from ebbmark_agent.evidence.chart import chart, describe
from ebbmark_agent.evidence.definition_file import DefinitionError, Fault
from ebbmark_agent.evidence.demand import (
    Demand,
    Seams,
    Side,
    Slots,
    Stream,
    demand_of_format,
    demand_of_streams,
)
from ebbmark_agent.evidence.figures import Cliff, Figures, SegmentFigures, read_trace
from ebbmark_agent.evidence.fit import fit, fit_list
from ebbmark_agent.evidence.floor import Floor, floor
from ebbmark_agent.evidence.format_file import FORMATS_FILE, load_formats
from ebbmark_agent.evidence.formats import (
    Formats,
    RecordingFormat,
    UnknownFormat,
    WriteClass,
    bare_rate,
    parse_rate,
)
from ebbmark_agent.evidence.howlong import Replay, coarse_traces, how_long, replay
from ebbmark_agent.evidence.in_use import InUse
from ebbmark_agent.evidence.later import aged, lowered_by
from ebbmark_agent.evidence.links import (
    PathCeiling,
    path_ceiling,
    path_name,
    pcie_ceiling_bytes_per_s,
    sata_ceiling_bytes_per_s,
    usb_ceiling_bytes_per_s,
)
from ebbmark_agent.evidence.patterns import Pattern, Shape
from ebbmark_agent.evidence.plateaus import Division, Plateau, divide, plateaus
from ebbmark_agent.evidence.probe_evidence import Path, ProbeEvidence, RehearsalFacts
from ebbmark_agent.evidence.probe_words import Bus, DiscardState, FileLayout, ProbeKind, ProbeOutcome, SoakEnd
from ebbmark_agent.evidence.reach import covers_whole_medium, reach_of
from ebbmark_agent.evidence.rehearsal import Rehearsed, judge_rehearsal
from ebbmark_agent.evidence.roles import (
    ROLES_FILE,
    Cadence,
    Role,
    RoleKind,
    Roles,
    demand_of,
    load_roles,
    read_demand_of,
    role_from_table,
    role_to_table,
)
from ebbmark_agent.evidence.spoken import spoken_bytes, spoken_minutes, spoken_rate
from ebbmark_agent.evidence.spread import Spread, spread
from ebbmark_agent.evidence.stalls import Stall, Stalls, find_stalls
from ebbmark_agent.evidence.standing import Fit, HowLong, MinutesKind, Reach, Reason, ReasonCode, Standing
from ebbmark_agent.evidence.steady import Settling, SteadyState, settling, steady_state
from ebbmark_agent.evidence.terminal_chart import terminal_chart
from ebbmark_agent.evidence.trace import Trace
from ebbmark_agent.evidence.verdict import (
    limit_sentence,
    list_text,
    next_step,
    reach_sentence,
    short_minutes,
    verdict,
)
from ebbmark_agent.evidence.windows import Window

__all__ = [
    "FORMATS_FILE",
    "ROLES_FILE",
    "Bus",
    "Cadence",
    "Cliff",
    "DefinitionError",
    "Demand",
    "DiscardState",
    "Division",
    "Fault",
    "Figures",
    "FileLayout",
    "Fit",
    "Floor",
    "Formats",
    "HowLong",
    "InUse",
    "MinutesKind",
    "Path",
    "PathCeiling",
    "Pattern",
    "Plateau",
    "ProbeEvidence",
    "ProbeKind",
    "ProbeOutcome",
    "Reach",
    "Reason",
    "ReasonCode",
    "RecordingFormat",
    "RehearsalFacts",
    "Rehearsed",
    "Replay",
    "Role",
    "RoleKind",
    "Roles",
    "Seams",
    "SegmentFigures",
    "Settling",
    "Shape",
    "Side",
    "Slots",
    "SoakEnd",
    "Spread",
    "Stall",
    "Stalls",
    "Standing",
    "SteadyState",
    "Stream",
    "Trace",
    "UnknownFormat",
    "Window",
    "WriteClass",
    "aged",
    "bare_rate",
    "chart",
    "coarse_traces",
    "covers_whole_medium",
    "demand_of",
    "demand_of_format",
    "demand_of_streams",
    "describe",
    "divide",
    "find_stalls",
    "fit",
    "fit_list",
    "floor",
    "how_long",
    "judge_rehearsal",
    "limit_sentence",
    "list_text",
    "load_formats",
    "load_roles",
    "lowered_by",
    "next_step",
    "parse_rate",
    "path_ceiling",
    "path_name",
    "pcie_ceiling_bytes_per_s",
    "plateaus",
    "reach_of",
    "reach_sentence",
    "read_demand_of",
    "read_trace",
    "replay",
    "role_from_table",
    "role_to_table",
    "sata_ceiling_bytes_per_s",
    "settling",
    "short_minutes",
    "spoken_bytes",
    "spoken_minutes",
    "spoken_rate",
    "spread",
    "steady_state",
    "terminal_chart",
    "usb_ceiling_bytes_per_s",
    "verdict",
]
