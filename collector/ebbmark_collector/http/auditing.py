"""Every change a person makes leaves a line in the audit log, in the transaction that makes the change."""

import json
from typing import Any

from ebbmark_collector.http.operation import Call
from ebbmark_collector.store import Tx, access, to_ms
from ebbmark_collector.store.ids import new_id


def note(tx: Tx, call: Call, action: str, subject: str, detail: dict[str, Any] | None = None) -> None:
    """Write who did what to which thing; `detail` never holds a secret."""
    access.add_audit(
        tx,
        audit_id=new_id(call.now),
        at_ms=to_ms(call.now),
        who=call.who,
        action=action,
        subject=subject,
        detail_json=json.dumps(detail or {}, default=str),
    )
