"""The soak probe: greedy writing until what the role fills is covered, or the drive settled past a cliff."""

from ebbmark_agent.probe.data import BlockData, DataRing
from ebbmark_agent.probe.heat import COOLED_BY_C
from ebbmark_agent.probe.outlook import SoakOutlook
from ebbmark_agent.probe.plan import Plan
from ebbmark_agent.probe.request import Phase
from ebbmark_agent.probe.session import Session
from ebbmark_agent.probe.writer import write_greedily
from ebbmark_agent.report import SoakEnd

MOST_PAUSES = 60  # [1] a report carries 64 segments
LONGEST_PAUSE_S = 1800.0  # [s] a drive that does not cool in that time will not
_LOOK_AGAIN_S = 1.0  # [s]


def soak(session: Session, plan: Plan) -> None:
    """Write, pausing for heat, then flush and read back.

    Raises:
        FaultError: The kernel refused.
        GaveWayError: Somebody else needs the drive.
        CancelledError: The probe was called off.
    """
    file = session.create_file(plan.file_bytes)
    size = session.block_size()
    with session.block_data(size) as data:
        _write_all(session, plan, data)
        session.flush(file)
        session.note_position()
        session.read_back(file, data)


def _write_all(session: Session, plan: Plan, data: BlockData) -> None:
    size = session.block_size()
    log, guard = session.log, session.guard
    outlook = SoakOutlook(
        log=log, guard=guard, buffer_s=session.request.buffer_s, round_s=session.request.settle_round_s
    )
    with DataRing(data) as ring, outlook:
        try:
            for _ in range(MOST_PAUSES + 1):
                guard.begin(Phase.WRITING, plan.file_bytes)
                log.begin_segment()
                write_greedily(
                    file=session.files[-1],
                    ring=ring,
                    size=size,
                    log=log,
                    guard=guard,
                    until_bytes=plan.file_bytes,
                    enough=lambda: outlook.settled or _too_hot(session),
                )
                session.soak_end = _end(session, plan, settled=outlook.settled)
                if session.soak_end is not None or not _cooled(session):
                    break
            session.soak_end = session.soak_end or SoakEnd.HEAT
        finally:
            session.waited_for_data_s = ring.waited_s


def _end(session: Session, plan: Plan, *, settled: bool) -> SoakEnd | None:
    """Say why writing is done, or None when it only paused."""
    written, role_fills = session.log.total_bytes, session.request.role_fills_bytes
    covered = plan.whole_medium if role_fills is None else written >= role_fills
    if written >= plan.file_bytes:
        return SoakEnd.WHOLE_MEDIUM if covered else SoakEnd.BUDGET
    return SoakEnd.SETTLED_PAST_CLIFF if settled else None


def _too_hot(session: Session) -> bool:
    limit, now = session.request.heat_limit_c, session.heat.now_c
    return limit is not None and now is not None and now >= limit


def _cooled(session: Session) -> bool:
    """Wait until the drive has cooled; False when it does not."""
    limit = session.request.heat_limit_c
    assert limit is not None
    session.guard.begin(Phase.PAUSED_FOR_HEAT, session.log.total_bytes)
    waited_s = 0.0
    while waited_s < LONGEST_PAUSE_S:
        now = session.heat.now_c
        if now is not None and now <= limit - COOLED_BY_C:
            return True
        session.guard.wait(_LOOK_AGAIN_S, done_bytes=session.log.total_bytes)
        waited_s += _LOOK_AGAIN_S
    return False
