"""Keeps what a probe did: its cost before the first byte and after the last, its report, what it found."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

from ebbmark_agent.drives import Inventory, Volume
from ebbmark_agent.memory import Memory, Spent
from ebbmark_agent.report import (
    Body,
    DiscardState,
    ProbeBody,
    ProbeKind,
    ProbeOutcome,
    ProbeResult,
    Report,
)
from ebbmark_agent.reports import findings_of, report_of, subject_of
from ebbmark_agent.spool import Spool


@dataclass(frozen=True, kw_only=True)
class Keeper:
    """The agent's memory and spool, with what stands on every report."""

    memory: Memory
    spool: Spool
    agent_version: str

    def say(self, body: Body, *, now: datetime) -> Report | None:
        """Keep a report until the collector has it; None on a machine that is not enrolled."""
        enrolment = self.memory.enrolment()
        if enrolment is None:
            return None
        return self.spool.add(
            lambda sequence: report_of(
                body,
                sequence=sequence,
                host_id=enrolment.host_id,
                agent_version=self.agent_version,
                made_at=now,
            )
        )

    def keep_result(
        self, result: ProbeResult, *, volume: Volume, inventory: Inventory, now: datetime
    ) -> None:
        """Keep a probe's true cost, its report and its findings.

        Args:
            result: The probe.
            volume: Where it ran.
            inventory: The drives beneath.
            now: The present instant.
        """
        self.memory.settle(
            probe_id=result.probe_id,
            written_bytes=result.bytes_written,
            discarded=result.discard is DiscardState.PROVEN,
        )
        subject = subject_of(volume, inventory)
        self.say(ProbeBody(subject=subject, result=result), now=now)
        for finding in findings_of(result, subject):
            self.say(finding, now=now)
        if _tells_of_failing(result):
            for drive in inventory.members(volume):
                self.memory.done(f"failing:{drive.key}", at=now)


def _tells_of_failing(result: ProbeResult) -> bool:
    refused = result.outcome is ProbeOutcome.FAILED and (result.fault is None or result.fault.of_drive)
    return refused or result.read_back_ok is False


@contextmanager
def paid_for(
    keeper: Keeper,
    *,
    probe_id: str,
    kind: ProbeKind,
    planned_bytes: int,
    by_hand: bool,
    volume: Volume,
    inventory: Inventory,
    now: datetime,
) -> Iterator[None]:
    """Write a probe's planned cost down before its first byte; a probe that never began costs nothing.

    Args:
        keeper: Where to.
        probe_id: The probe.
        kind: Its kind.
        planned_bytes: What it will write at most [bytes].
        by_hand: Whether a person asked for it.
        volume: Where it runs.
        inventory: The drives beneath.
        now: The present instant.
    """
    keeper.memory.reserve(
        probe_id=probe_id,
        drive_keys=[drive.key for drive in inventory.members(volume)],
        spent=Spent(
            probe_id=probe_id,
            at=now,
            kind=kind.value,
            written_bytes=planned_bytes,
            by_hand=by_hand,
            discarded=False,
        ),
    )
    try:
        yield
    except Exception:
        keeper.memory.settle(probe_id=probe_id, written_bytes=0, discarded=True)
        raise
