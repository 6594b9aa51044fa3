"""What the agent remembers between starts: what probing cost, when things were done, orders, enrolment.

All of it lies in the agent's one database; decisions made from it are elsewhere.
"""

import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from pydantic import BaseModel, ConfigDict

from ebbmark_agent.database import AgentDatabase
from ebbmark_agent.report import Orders

FORGET_AFTER = timedelta(days=800)


@dataclass(frozen=True, kw_only=True)
class Spent:
    """One probe's cost to one drive."""

    probe_id: str
    at: datetime
    kind: str
    written_bytes: int
    by_hand: bool
    discarded: bool


class Enrolment(BaseModel):
    """Which collector knows this machine, and under which name."""

    model_config = ConfigDict(frozen=True)

    host_id: str
    collector_url: str
    expires_at: datetime | None = None
    host_name: str | None = None  # given by a person; else the machine's own


class Memory:
    """The agent's memory."""

    def __init__(self, database: AgentDatabase) -> None:
        """Take the database."""
        self._database = database

    def reserve(self, *, probe_id: str, drive_keys: Iterable[str], spent: Spent) -> None:
        """Write a probe's planned cost down before its first byte, so that a killed one has been paid.

        Args:
            probe_id: The probe.
            drive_keys: The drives beneath its volume.
            spent: What it will cost each of them at most.
        """
        with self._database.transaction() as db:
            for key in drive_keys:
                db.execute(
                    "INSERT INTO spending (probe_id, drive_key, at, kind, written_bytes, by_hand, discarded) "
                    "VALUES (?, ?, ?, ?, ?, ?, ?)",
                    [
                        probe_id,
                        key,
                        spent.at.isoformat(),
                        spent.kind,
                        spent.written_bytes,
                        int(spent.by_hand),
                        int(spent.discarded),
                    ],
                )

    def settle(self, *, probe_id: str, written_bytes: int, discarded: bool) -> None:
        """Put a probe's true cost in place of the planned one.

        Args:
            probe_id: The probe.
            written_bytes: What it wrote [bytes].
            discarded: Whether the drive was shown to know that the blocks are free.
        """
        with self._database.transaction() as db:
            db.execute(
                "UPDATE spending SET written_bytes = ?, discarded = ? WHERE probe_id = ?",
                [written_bytes, int(discarded), probe_id],
            )

    def spendings(self, drive_key: str) -> tuple[Spent, ...]:
        """Give what probing has cost a drive, oldest first."""
        with self._database.transaction() as db:
            rows = db.execute(
                "SELECT probe_id, at, kind, written_bytes, by_hand, discarded FROM spending "
                "WHERE drive_key = ? ORDER BY at",
                [drive_key],
            ).fetchall()
        return tuple(
            Spent(
                probe_id=probe_id,
                at=datetime.fromisoformat(at),
                kind=kind,
                written_bytes=written_bytes,
                by_hand=bool(by_hand),
                discarded=bool(discarded),
            )
            for probe_id, at, kind, written_bytes, by_hand, discarded in rows
        )

    def last_done(self, key: str) -> datetime | None:
        """Give when something was last done, such as `health:wwn:...`."""
        with self._database.transaction() as db:
            row = db.execute("SELECT at FROM last_done WHERE key = ?", [key]).fetchone()
        return datetime.fromisoformat(row[0]) if row else None

    def done(self, key: str, *, at: datetime) -> None:
        """Remember that something was done."""
        with self._database.transaction() as db:
            db.execute(
                "INSERT INTO last_done (key, at) VALUES (?, ?) "
                "ON CONFLICT (key) DO UPDATE SET at = excluded.at",
                [key, at.isoformat()],
            )

    def undone(self, key: str) -> None:
        """Forget when something was last done."""
        with self._database.transaction() as db:
            db.execute("DELETE FROM last_done WHERE key = ?", [key])

    def carried_out(self) -> frozenset[str]:
        """Give the ids of ordered probes that were carried out."""
        with self._database.transaction() as db:
            return frozenset(row[0] for row in db.execute("SELECT order_id FROM carried_out").fetchall())

    def carry_out(self, order_id: str, *, at: datetime) -> bool:
        """Remember that an ordered probe is being carried out.

        Returns:
            Whether this is the first time.
        """
        with self._database.transaction() as db:
            cursor = db.execute(
                "INSERT INTO carried_out (order_id, at) VALUES (?, ?) ON CONFLICT (order_id) DO NOTHING",
                [order_id, at.isoformat()],
            )
            return bool(cursor.rowcount == 1)

    def not_carried_out(self, order_id: str) -> None:
        """Take an ordered probe back onto the list, because it gave way."""
        with self._database.transaction() as db:
            db.execute("DELETE FROM carried_out WHERE order_id = ?", [order_id])

    def orders(self) -> tuple[Orders | None, str | None]:
        """Give the orders held and the tag they came with."""
        with self._database.transaction() as db:
            row = db.execute("SELECT body, tag FROM document WHERE name = 'orders'").fetchone()
        return (Orders.model_validate_json(row[0]), row[1]) if row else (None, None)

    def hold_orders(self, orders: Orders, *, tag: str | None) -> None:
        """Keep accepted orders."""
        self._keep("orders", orders.model_dump_json(), tag)

    def enrolment(self) -> Enrolment | None:
        """Give which collector knows this machine, or None."""
        with self._database.transaction() as db:
            row = db.execute("SELECT body FROM document WHERE name = 'enrolment'").fetchone()
        return Enrolment.model_validate_json(row[0]) if row else None

    def enrolled(self, enrolment: Enrolment) -> None:
        """Keep an enrolment; orders of an earlier one are forgotten."""
        self._keep("enrolment", enrolment.model_dump_json(), None)
        with self._database.transaction() as db:
            db.execute("DELETE FROM document WHERE name = 'orders'")

    def machine_key(self) -> str:
        """Give the random key by which this installation is told from others, made once."""
        with self._database.transaction() as db:
            db.execute(
                "INSERT INTO document (name, body) VALUES ('machine_key', ?) ON CONFLICT (name) DO NOTHING",
                [secrets.token_urlsafe(24)],
            )
            return str(db.execute("SELECT body FROM document WHERE name = 'machine_key'").fetchone()[0])

    def forget(self, *, now: datetime) -> None:
        """Let go of what no rule looks at any more: costs and orders of more than two years ago."""
        before = (now - FORGET_AFTER).isoformat()
        with self._database.transaction() as db:
            db.execute("DELETE FROM spending WHERE at < ?", [before])
            db.execute("DELETE FROM carried_out WHERE at < ?", [before])

    def _keep(self, name: str, body: str, tag: str | None) -> None:
        with self._database.transaction() as db:
            db.execute(
                "INSERT INTO document (name, body, tag) VALUES (?, ?, ?) "
                "ON CONFLICT (name) DO UPDATE SET body = excluded.body, tag = excluded.tag",
                [name, body, tag],
            )
