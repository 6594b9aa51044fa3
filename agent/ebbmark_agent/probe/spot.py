"""The spot probe: a short greedy write, read back and compared."""

from ebbmark_agent.probe.data import DataRing
from ebbmark_agent.probe.log import BlockLog
from ebbmark_agent.probe.plan import Plan
from ebbmark_agent.probe.request import Phase
from ebbmark_agent.probe.session import Session
from ebbmark_agent.probe.writer import write_greedily
from ebbmark_agent.report import FileLayout

SPOT_S = 20.0  # [s] a spot without a stated size ends after so long on a slow drive


def spot(session: Session, plan: Plan) -> None:
    """Write, flush, read back.

    Raises:
        FaultError: The kernel refused.
        GaveWayError: Somebody else needs the drive.
        CancelledError: The probe was called off.
    """
    file = session.create_file(plan.file_bytes)
    size = session.block_size()
    limited = session.request.max_bytes is None
    with session.block_data(size) as data:
        if session.request.layout is FileLayout.OVERWRITTEN:
            lay_out_by_writing(session, plan)
        with DataRing(data) as ring:
            session.guard.begin(Phase.WRITING, plan.file_bytes)
            session.log.begin_segment()
            try:
                write_greedily(
                    file=file,
                    ring=ring,
                    size=size,
                    log=session.log,
                    guard=session.guard,
                    until_bytes=plan.file_bytes,
                    enough=(lambda: session.log.elapsed_s >= SPOT_S) if limited else None,
                )
            finally:
                session.waited_for_data_s = ring.waited_s
        session.flush(file)
        session.note_position()
        session.read_back(file, data)


def lay_out_by_writing(session: Session, plan: Plan) -> None:
    """Write the file once, so that the probe meets a file that already has its place and its data."""
    file = session.files[-1]
    size = session.block_size()
    first = BlockLog()
    first.begin_segment()
    session.guard.begin(Phase.LAYING_OUT, plan.file_bytes)
    with session.block_data(size) as data, DataRing(data) as ring:
        try:
            write_greedily(
                file=file, ring=ring, size=size, log=first, guard=session.guard, until_bytes=plan.file_bytes
            )
        finally:
            session.laid_out_bytes = first.total_bytes
    session.flush(file)
    session.layout = FileLayout.OVERWRITTEN
