"""What the judge said of each subject, as JSON of its own values, and the history of its standing."""

from datetime import datetime

from ebbmark_agent.evidence import Fit
from pydantic import TypeAdapter

from ebbmark_collector.judge.findings import Cause, Cohort, Outlook, Standing
from ebbmark_collector.store.tx import Row, Tx, Value, to_ms

STANDING: TypeAdapter[Standing] = TypeAdapter(Standing)
OUTLOOK: TypeAdapter[Outlook] = TypeAdapter(Outlook)
COHORT: TypeAdapter[Cohort] = TypeAdapter(Cohort)
CAUSES: TypeAdapter[tuple[Cause, ...]] = TypeAdapter(tuple[Cause, ...])
FIT: TypeAdapter[Fit] = TypeAdapter(Fit)


def standing_columns(standing: Standing) -> dict[str, Value]:
    """Give the columns of a drive that show its standing."""
    return {
        "standing": standing.word.value,
        "standing_json": STANDING.dump_json(standing).decode(),
        "floor_bytes_per_s": standing.floor_bytes_per_s,
        "demand_bytes_per_s": standing.demand_bytes_per_s,
        "evidence_ms": to_ms(standing.evidence_at) if standing.evidence_at else None,
        "valid_until_ms": to_ms(standing.valid_until) if standing.valid_until else None,
    }


def note_change(tx: Tx, drive_id: str, standing: Standing, *, now: datetime) -> None:
    """Add a line to the history of a drive's standing."""
    row: dict[str, Value] = {
        "drive_id": drive_id,
        "at_ms": to_ms(now),
        "standing": standing.word.value,
        "role": standing.role_name,
        "floor_bytes_per_s": standing.floor_bytes_per_s,
        "demand_bytes_per_s": standing.demand_bytes_per_s,
        "why": standing.reasons[0].sentence if standing.reasons else "",
        "standing_json": STANDING.dump_json(standing).decode(),
    }
    names = tuple(row)
    tx.insert_many("standings", names, [tuple(row.values())], key=("drive_id", "at_ms"), update=names[2:])


def standings_of(tx: Tx, drive_id: str, *, limit: int) -> list[Row]:
    """Give the latest changes of a drive's standing, newest first."""
    return tx.query(
        "SELECT * FROM standings WHERE drive_id = :drive_id ORDER BY at_ms DESC LIMIT :limit",
        {"drive_id": drive_id, "limit": limit},
    )


def last_standing(tx: Tx, drive_id: str) -> tuple[int, str, str | None] | None:
    """Give when a drive's standing last changed [ms], to which word, and for which role."""
    rows = tx.values(
        "SELECT at_ms, standing, role FROM standings WHERE drive_id = :drive_id ORDER BY at_ms DESC LIMIT 1",
        {"drive_id": drive_id},
    )
    return rows[0] if rows else None


def set_probe_judgement(
    tx: Tx, drive_id: str, started_ms: int, probe_id: str, columns: dict[str, Value]
) -> None:
    """Set what follows from a probe's figures for the role in force."""
    sets = ", ".join(f"{name} = :{name}" for name in columns)
    sql = f"UPDATE probes SET {sets} WHERE drive_id = :d AND started_ms = :s AND probe_id = :p"  # noqa: S608 -- names from code
    tx.run(sql, {**columns, "d": drive_id, "s": started_ms, "p": probe_id})
