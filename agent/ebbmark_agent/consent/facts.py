"""The facts a decision is made from; unknown is None, and each rule says what it makes of that."""

from dataclasses import dataclass
from datetime import datetime, tzinfo

from ebbmark_agent.consent.budget import Budget
from ebbmark_agent.consent.clips import ClipSigns
from ebbmark_agent.report import Hold, ProbeHours, ProbeKind


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """The probe somebody or something wants to run."""

    kind: ProbeKind
    written_bytes: int  # [bytes] it will write at most
    by_hand: bool = False
    stated_bytes: bool = False  # by hand, with the number of bytes said: it replaces the budget

    @property
    def reads_only(self) -> bool:
        """Whether not a byte will be written."""
        return self.kind is ProbeKind.READ


@dataclass(frozen=True, kw_only=True)
class DiskActivity:
    """What the kernel's counters showed of one disk while no probe ran."""

    name: str
    watched_s: float  # [s] up to now without a gap
    foreign_bytes: int  # [bytes] read and written in that time
    lively: bool = False  # a system or edit disk, where some I/O is part of life
    shares_upstream: bool | None = None  # with the disk to probe; None: it cannot be told


@dataclass(frozen=True, kw_only=True)
class TargetFacts:
    """The volume to probe and the drive or drives beneath it."""

    name: str
    size_bytes: int
    free_bytes: int
    certain: bool
    read_only: bool = False
    network: bool = False
    removable: bool = False
    word_given: bool = False  # a person's word for this very insertion
    clips: ClipSigns | None = None  # None: nobody has looked
    failing: str | None = None  # why the drive counts as failing
    lively: bool = False
    open_writers: int | None = None  # [1] files open for writing by others; None: cannot be told
    temperature_c: float | None = None
    activity: tuple[DiskActivity, ...] = ()  # one for each drive beneath
    budget: Budget | None = None
    last_probe_at: datetime | None = None
    last_probe_discarded: bool = False  # the drive was shown to know of the freed blocks


@dataclass(frozen=True, kw_only=True)
class HostFacts:
    """The machine at this moment."""

    zone: tzinfo
    recorder_host: bool = False  # some drive here has a recorder role
    on_air: bool = False
    switches_readable: bool = True
    holds: tuple[Hold, ...] = ()
    capture_processes: tuple[str, ...] = ()  # of the named ones, those that run
    on_mains: bool | None = None  # None: it has no battery to speak of, so it cannot be on one
    neighbours: tuple[DiskActivity, ...] = ()  # all other disks
    probe_running: bool = False
    contact_lost_s: float | None = None  # [s] since the collector last answered; None: never asked
    show: bool = False
    orders_valid: bool = True
    probing_enabled: bool = False  # by the collector's orders
    ordered_hours: tuple[ProbeHours, ...] = ()
