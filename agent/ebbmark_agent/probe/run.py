"""One probe from start to tidy-up: whatever happens in between, its file is gone and what it saw is kept."""

import secrets
import threading
from collections.abc import Callable

from ebbmark_agent.clock import Clock
from ebbmark_agent.platforms import Platform
from ebbmark_agent.probe.copying import copy
from ebbmark_agent.probe.ended import CancelledError, FaultError, GaveWayError, fault_of, whose
from ebbmark_agent.probe.guard import Guard
from ebbmark_agent.probe.heat import HeatRecord
from ebbmark_agent.probe.plan import Plan, plan
from ebbmark_agent.probe.reading import read
from ebbmark_agent.probe.rehearsal import rehearse
from ebbmark_agent.probe.request import ProbeRequest, ProgressSink, Thermometer, Watch
from ebbmark_agent.probe.session import Session, before_the_first_byte
from ebbmark_agent.probe.soak import soak
from ebbmark_agent.probe.spot import spot
from ebbmark_agent.probe.tidy import Tidied, tidy
from ebbmark_agent.report import ProbeKind, ProbeOutcome, ProbeResult

WRITES: dict[ProbeKind, Callable[[Session, Plan], None]] = {
    ProbeKind.SPOT: spot,
    ProbeKind.SOAK: soak,
    ProbeKind.REHEARSAL: rehearse,
    ProbeKind.COPY: copy,
}


def run_probe(
    request: ProbeRequest,
    *,
    platform: Platform,
    watch: Watch | None = None,
    progress: ProgressSink | None = None,
    clock: Clock | None = None,
    cancel: threading.Event | None = None,
    thermometer: Thermometer | None = None,
) -> ProbeResult:
    """Run one probe.

    It does not ask whether it may: consent is the caller's. While it runs it asks `watch` between blocks.

    Args:
        request: What to show, and where.
        platform: The system's ways, from `platforms.this_platform()`.
        watch: Tells when to give way; None: nothing does.
        progress: Is told how far the probe is, about twice a second, from this thread.
        clock: The clocks.
        cancel: Set from another thread to call the probe off.
        thermometer: Reads the drive's temperature [C].

    Returns:
        What the probe showed. A write fault, giving way and a cancel are outcomes, with the partial trace.

    Raises:
        DeviceError: Nothing could be written at all: no such path, no room, no right, read-only, or no
            unbuffered writes there.
        ConfigurationError: The request does not hold together.
    """
    clock = clock or Clock()
    guard = Guard(watch=watch, cancel=cancel, progress=progress)
    with before_the_first_byte(request):
        if request.kind is not ProbeKind.READ:
            platform.clear_leftovers(request.folder)
        space = platform.space(request.folder)
    with HeatRecord(thermometer, every_s=request.heat_every_s) as heat:
        session = Session(
            request=request,
            platform=platform,
            guard=guard,
            heat=heat,
            probe_id=request.probe_id or f"probe-{secrets.token_hex(8)}",
            started_at=clock.utc(),
            begin_s=clock.monotonic_s(),
            space=space,
        )
        outcome, gave_way_to, fault = ProbeOutcome.COMPLETED, None, None
        try:
            with before_the_first_byte(request):
                _carry_out(session)
        except GaveWayError as ended:
            outcome, gave_way_to = ProbeOutcome.GAVE_WAY, ended.to
        except CancelledError:
            outcome = ProbeOutcome.CANCELLED
        except FaultError as ended:
            outcome, fault = ProbeOutcome.FAILED, whose(ended.fault, platform=platform, folder=request.folder)
        finally:
            tidied = _tidy(session, outcome)
    return session.result(
        outcome=outcome,
        tidied=tidied,
        duration_s=clock.monotonic_s() - session.begin_s,
        gave_way_to=gave_way_to,
        fault=fault,
    )


def _carry_out(session: Session) -> None:
    if session.request.kind is ProbeKind.READ:
        read(session)
        return
    session.plan = plan(session.request, session.space)
    try:
        WRITES[session.request.kind](session, session.plan)
    except OSError as error:
        if session.log.total_bytes == 0:
            raise
        raise fault_of(error, operation="access", at_byte=session.log.total_bytes) from error


def _tidy(session: Session, outcome: ProbeOutcome) -> Tidied:
    return tidy(
        platform=session.platform,
        folder=session.request.folder,
        files=session.files,
        disks=session.request.disks,
        written_bytes=0 if session.reads_only else session.log.total_bytes,
        free_before_bytes=session.space.free_bytes,
        # Somebody needs the drive now, so even a discard would be in the way; or the drive fails, and then
        # nothing more is asked of it.
        quietly=outcome in {ProbeOutcome.GAVE_WAY, ProbeOutcome.FAILED} or session.read_back_ok is False,
    )
