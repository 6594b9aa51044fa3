"""Says that the agent lives, why probes did not run, and what probing has cost."""

from datetime import datetime

from ebbmark_agent.cycle.state import Running
from ebbmark_agent.drives import Volume
from ebbmark_agent.errors import StateUnusableError
from ebbmark_agent.moment import drive_budget, subject_order
from ebbmark_agent.report import Dropped, Report, StatusBody, SubjectConsent
from ebbmark_agent.reports import refusals_let_out, report_of, subject_of


def say_status(running: Running) -> bool:
    """Put a status into the spool; it replaces one that still waits.

    Args:
        running: The agent.

    Returns:
        Whether there is a collector to say it to.
    """
    enrolment = running.memory.enrolment()
    if enrolment is None:
        return False
    now = running.clock.utc()
    consents = tuple(
        found for volume in running.inventory.volumes if (found := _consent(running, volume, now=now))
    )
    remarks, running.remarks = tuple(running.remarks), []

    def make(sequence: int, dropped: tuple[Dropped, ...], set_aside: int) -> Report:
        body = StatusBody(
            consents=consents,
            holds_in_force=_holds_in_force(running, now=now),
            on_air=running.switches.on_air(),
            dropped=dropped,
            set_aside=set_aside,
            uptime_s=max(0.0, running.clock.monotonic_s() - running.started_s),
            remarks=remarks,
        )
        return report_of(
            body,
            sequence=sequence,
            host_id=enrolment.host_id,
            agent_version=running.agent_version,
            made_at=now,
        )

    running.spool.add_status(make)
    return True


def _holds_in_force(running: Running, *, now: datetime) -> tuple[str, ...]:
    try:
        local = running.switches.holds(now=now)
    except StateUnusableError:
        return ("local-unreadable",)
    ordered = running.orders.holds if running.orders else ()
    return tuple(hold.hold_id for hold in (*local, *ordered) if hold.starts_at <= now < hold.ends_at)[:64]


def _consent(running: Running, volume: Volume, *, now: datetime) -> SubjectConsent | None:
    members = running.inventory.members(volume)
    order = subject_order(running.orders, volume=volume, members=members)
    held = running.refused.get(volume.facts.volume_id)
    if order is None or not members:
        return None
    budgets = [
        drive_budget(running.memory, drive, order=order, limits=running.settings.limits, now=now)
        for drive in members
    ]
    spendings = [one for drive in members for one in running.memory.spendings(drive.key)]
    return SubjectConsent(
        subject=subject_of(volume, running.inventory),
        refusals=refusals_let_out(held[1], running.settings.privacy) if held else (),
        judged_at=held[0] if held else now,
        probed_bytes_365_days=max(budget.spent_bytes for budget in budgets),
        budget_bytes_365_days=min(budget.allowed_bytes for budget in budgets),
        last_probe_at=max((one.at for one in spendings), default=None),
        no_safe_moment_since=running.memory.last_done(f"no_safe_moment:{members[0].key}"),
    )
