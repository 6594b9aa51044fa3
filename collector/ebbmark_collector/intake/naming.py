"""Which drive a report is about: found by any of its own names, made known when it is new.

1. A drive with an own identity is the same drive in whichever machine it sits; any of its names finds it.
2. The strongest known name wins; a weaker name already bound to another drive stays there.
3. Without an own identity a drive is known only as seen: this host, this place in it, and on a removable
   medium this volume. Nothing is carried over to the next insertion.
4. A volume over several drives is a subject of its own, known by its members' names.
"""

import hashlib
from collections.abc import Mapping, Sequence

from ebbmark_agent.report import DriveIdentity, IdentityConfidence, Subject

from ebbmark_collector.store import Tx, Value, drives
from ebbmark_collector.store.ids import new_id
from ebbmark_collector.store.tx import from_ms


def seen_name(host_id: str, ref: str, volume_id: str | None) -> str:
    """Give the name of a drive that tells none of its own."""
    return f"seen:{host_id}:{ref}" if volume_id is None else f"seen:{host_id}:{ref}:{volume_id}"


def array_name(host_id: str, volume_id: str | None, members: Sequence[DriveIdentity]) -> str:
    """Give the name of a volume over several drives."""
    strongest = [member.names()[0] for member in members if member.names()]
    if len(strongest) == len(members):
        digest = hashlib.sha256("\n".join(sorted(strongest)).encode()).hexdigest()[:32]
        return f"array:{digest}"
    return f"array:{host_id}:{volume_id or 'unnamed'}"


def _first_known(tx: Tx, names: Sequence[str]) -> str | None:
    known = drives.known_names(tx, names)
    return next((known[name] for name in names if name in known), None)


def find_or_add(
    tx: Tx, names: Sequence[str], *, now_ms: int, columns: Mapping[str, Value]
) -> tuple[str, bool]:
    """Find the drive with any of these names, strongest first, or add it with these columns.

    Returns:
        The drive's id, and whether it is new.
    """
    known = drives.known_names(tx, names)
    found = next((known[name] for name in names if name in known), None)
    fresh = found is None
    if found is None:
        found = new_id(from_ms(now_ms))
        drives.add_drive(tx, {**columns, "drive_id": found, "first_seen_ms": now_ms, "last_seen_ms": now_ms})
    missing = [name for name in names if name not in known]
    if missing:
        drives.add_names(tx, found, missing, now_ms)
    return found, fresh


def identity_columns(identity: DriveIdentity) -> dict[str, Value]:
    """Give the columns an identity fills."""
    own = identity.confidence is IdentityConfidence.OWN
    return {
        "confidence": identity.confidence.value,
        "model": identity.model,
        "firmware": identity.firmware,
        "serial": identity.serial if own else None,
        "wwn": identity.wwn if own else None,
    }


def own_names(subject: Subject) -> tuple[str, ...]:
    """Give the names by which one drive is known anywhere; none for an array or a drive that tells none."""
    return () if len(subject.members) > 1 else subject.identity.names()


def known_subject(tx: Tx, subject: Subject, *, host_id: str) -> str | None:
    """Give the drive (or array) a report is about, or None if it was never heard of."""
    if len(subject.members) > 1:
        return _first_known(tx, (array_name(host_id, subject.volume_id, subject.members),))
    names = subject.identity.names() or (
        seen_name(host_id, subject.ref, subject.volume_id),
        seen_name(host_id, subject.ref, None),
    )
    return _first_known(tx, names)


def subject_drive(tx: Tx, subject: Subject, *, host_id: str, now_ms: int) -> str:
    """Give the drive (or array) a report is about, adding it if a report comes before its inventory."""
    if len(subject.members) > 1:
        columns: dict[str, Value] = {**identity_columns(subject.identity), "kind": "array"}
        names: tuple[str, ...] = (array_name(host_id, subject.volume_id, subject.members),)
    else:
        columns = {**identity_columns(subject.identity), "kind": "drive"}
        names = subject.identity.names()
    if not names:
        by_volume = seen_name(host_id, subject.ref, subject.volume_id)
        found = _first_known(tx, (by_volume, seen_name(host_id, subject.ref, None)))
        if found is not None:
            return found
        names = (by_volume,)
    columns |= {"host_id": host_id, "ref": subject.ref, "presence": "fixed"}
    return find_or_add(tx, names, now_ms=now_ms, columns=columns)[0]
