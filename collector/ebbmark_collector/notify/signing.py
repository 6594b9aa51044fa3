"""Signs a webhook's body so that its receiver can tell who sent it and when (Standard Webhooks 1.0.0)."""

import base64
import binascii
import hashlib
import hmac
from dataclasses import dataclass, field
from datetime import datetime

from ebbmark_collector.errors import ConfigurationError

PREFIX = "whsec_"
LEAST_BYTES, MOST_BYTES = 24, 64  # [bytes] Standard Webhooks 1.0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Secret:
    """A signing key. Its bytes are in no repr, so that they get into no log."""

    key: bytes = field(repr=False)

    @classmethod
    def read(cls, text: str) -> "Secret":
        """Read `whsec_` and base64.

        Raises:
            ConfigurationError: It is not such a secret, or not 24 to 64 bytes long.
        """
        try:
            key = base64.b64decode(text.strip().removeprefix(PREFIX), validate=True)
        except (binascii.Error, ValueError) as error:
            raise ConfigurationError(
                [f"A webhook secret is {PREFIX} and base64; this one is not."]
            ) from error
        if not LEAST_BYTES <= len(key) <= MOST_BYTES:
            raise ConfigurationError(
                [f"A webhook secret has {LEAST_BYTES} to {MOST_BYTES} bytes; this one has {len(key)}."]
            )
        return cls(key=key)


def signed_headers(secret: Secret, *, message_id: str, sent_at: datetime, body: bytes) -> dict[str, str]:
    """Give the three headers of one attempt.

    Args:
        secret: The key shared with the receiver.
        message_id: The same for every attempt, so that the receiver can drop repeats.
        sent_at: The instant of this attempt, aware.
        body: What is sent, to the byte.

    Source:
        Standard Webhooks 1.0.0: HMAC-SHA256 over `{id}.{timestamp}.{body}`, as `v1,` and base64.
    """
    stamp = str(int(sent_at.timestamp()))
    content = b".".join((message_id.encode(), stamp.encode(), body))
    signature = base64.b64encode(hmac.new(secret.key, content, hashlib.sha256).digest()).decode()
    return {
        "webhook-id": message_id,
        "webhook-timestamp": stamp,
        "webhook-signature": f"v1,{signature}",
    }
