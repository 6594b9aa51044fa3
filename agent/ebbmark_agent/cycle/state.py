"""What the jobs of a running agent share: the machine as last seen, the orders, and the ways to act."""

import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from ebbmark_agent.clock import Clock
from ebbmark_agent.consent import phase_of
from ebbmark_agent.drives import Inventory
from ebbmark_agent.health import JsonSmartctl
from ebbmark_agent.keeping import Keeper
from ebbmark_agent.lookout import Lookout
from ebbmark_agent.memory import Memory
from ebbmark_agent.moment import Scene
from ebbmark_agent.platforms import Platform
from ebbmark_agent.report import HealthReading, Orders, Refusal
from ebbmark_agent.settings import Settings
from ebbmark_agent.spool import Spool
from ebbmark_agent.switches import Switches
from ebbmark_agent.takes import TakeSampler
from ebbmark_agent.uplink import Pause


@dataclass(kw_only=True)
class Running:
    """One running agent.

    Attributes:
        settings: What the owner has set.
        platform: The system's ways.
        clock: The clocks.
        memory: What the agent remembers.
        spool: What waits for the collector.
        switches: The local switches.
        runner: How smartctl is run.
        takes: Watches real recordings.
        agent_version: The version of this program.
        started_at: When it started.
        started_s: The same by the monotonic clock [s].
        inventory: The machine as last seen.
        readings: The last health reading of each drive, by ref.
        device_types: Smartctl's device type that last answered for each insertion of a drive.
        orders: The orders held.
        refused: The last refusals of each subject, by key, with when they were given.
        pause: How long the collector is left alone.
        probed: Kernel names of the disks a probe of this agent uses now.
        stopping: Set when the agent is to end; a running probe is then called off.
        remarks: What went wrong in the agent itself since the last status.
    """

    settings: Settings
    platform: Platform
    clock: Clock
    memory: Memory
    spool: Spool
    switches: Switches
    runner: JsonSmartctl
    takes: TakeSampler
    agent_version: str
    started_at: datetime
    started_s: float
    inventory: Inventory = field(default_factory=Inventory)
    readings: dict[str, HealthReading] = field(default_factory=dict)
    device_types: dict[str, str] = field(default_factory=dict)
    orders: Orders | None = None
    refused: dict[str, tuple[datetime, tuple[Refusal, ...]]] = field(default_factory=dict)
    pause: Pause = field(default_factory=Pause)
    probed: frozenset[str] = frozenset()
    stopping: threading.Event = field(default_factory=threading.Event)
    remarks: list[str] = field(default_factory=list)
    lookout: Lookout = field(init=False)

    def __post_init__(self) -> None:
        """Make the lookout, which looks at whatever the inventory holds."""
        self.orders = self.memory.orders()[0]
        self.lookout = Lookout(
            platform=self.platform,
            switches=self.switches,
            capture_processes=self.settings.limits.capture_processes,
            quiet_s=self.settings.limits.quiet_s,
            disks=lambda: [drive.kernel_name for drive in self.inventory.drives],
            clock=self.clock,
        )

    @property
    def keeper(self) -> Keeper:
        """Keeps what is done and said."""
        return Keeper(memory=self.memory, spool=self.spool, agent_version=self.agent_version)

    @property
    def scene(self) -> Scene:
        """What facts are gathered from, at this moment."""
        return Scene(
            platform=self.platform,
            settings=self.settings,
            switches=self.switches,
            lookout=self.lookout,
            memory=self.memory,
            orders=self.orders,
        )

    def phase(self, what: str) -> float:
        """Give this host's place among all for one recurring thing [1]."""
        return phase_of(f"{self.memory.machine_key()}/{what}")

    def held_readings(self) -> Mapping[str, HealthReading]:
        """Give the last health readings, by ref."""
        return dict(self.readings)

    def remark(self, sentence: str) -> None:
        """Note what went wrong, for the next status; the same thing once."""
        if sentence not in self.remarks and len(self.remarks) < 32:
            self.remarks.append(sentence)
