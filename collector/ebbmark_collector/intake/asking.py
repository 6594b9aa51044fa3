"""What may a drive record: its latest soak on the path in use, held against a format, a rate or a role."""

from dataclasses import dataclass
from datetime import datetime

from ebbmark_agent.evidence import Demand, Fit, InUse, ProbeEvidence, demand_of_format, fit
from ebbmark_agent.report import evidence_of

from ebbmark_collector.intake import points
from ebbmark_collector.intake.judging import kept_result
from ebbmark_collector.intake.rulebook import Rulebook
from ebbmark_collector.store import Row, Tx, evidence, from_ms, to_ms

VALIDITY_DAYS = 90.0  # [days] unless a role says otherwise: a quarter; own practice


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What is to be recorded.

    Attributes:
        what: A recording format by its name, a rate such as `150MB/s`, or a role.
        headroom: Factor on top of a format's or rate's own [1].
        buffer_s: Seconds of stream the recorder holds [s].
        take_s: The longest take [s]; None: the whole medium.
    """

    what: str
    headroom: float = 1.2
    buffer_s: float = 1.0
    take_s: float | None = None


def demand_for(book: Rulebook, asked: Asked) -> Demand:
    """Give what is asked of a drive.

    Raises:
        UnknownFormat: When it is neither role, format nor rate; the message names the nearest.
        ValueError: When the figures make no sense together.
    """
    role = book.role(asked.what.lower())
    if role is not None and role.demand is not None:
        return role.demand
    return demand_of_format(
        book.formats.find(asked.what), headroom=asked.headroom, buffer_s=asked.buffer_s, take_s=asked.take_s
    )


def soak_evidence(tx: Tx, drive: Row, *, with_trace: bool) -> ProbeEvidence | None:
    """Give a drive's latest whole soak as evidence; None where there is none.

    Args:
        tx: A reading transaction.
        drive: The drive.
        with_trace: Read the trace too: exact for takes and rests, but dearer.
    """
    row = evidence.latest_soak(tx, drive["drive_id"])
    figures = points.stored_figures(row["figures"]) if row else None
    if row is None or figures is None:
        return None
    result = kept_result(tx, row) if with_trace else points.bare_result(row)
    return evidence_of(
        result,
        figures=figures,
        started_at=from_ms(row["started_ms"]),
        capacity_bytes=drive["capacity_bytes"],
        rotational=None if drive["rotational"] is None else bool(drive["rotational"]),
    )


def faults_since(tx: Tx, drive: Row, known: ProbeEvidence | None) -> list[str]:
    """Give what a drive did wrong since its latest soak: lost frames, failed writes, a wrong read-back.

    Any of them makes it unfit for whatever is asked, until a later soak qualifies it again.
    """
    since_ms = to_ms(known.started_at) if known and known.started_at else 0
    said = [
        f"{row['reported_by']} reported frames lost on {from_ms(row['happened_ms']):%Y-%m-%d}; "
        "unfit until a soak qualifies it again."
        for row in reversed(evidence.incidents_of(tx, drive["drive_id"]))
        if row["happened_ms"] > since_ms
    ]
    said += [
        row["fault_sentence"]
        or f"What was read back on {from_ms(row['started_ms']):%Y-%m-%d} differs from what was written."
        for row in evidence.faulty_probes_since(tx, drive["drive_id"], since_ms)
    ]
    return said


def answer(known: ProbeEvidence | None, demand: Demand, drive: Row, now: datetime) -> Fit:
    """Say whether a drive carries a demand now, over the path it is on."""
    return fit(known, demand, now=now, validity_days=VALIDITY_DAYS, in_use=InUse(path_key=drive["path_key"]))
