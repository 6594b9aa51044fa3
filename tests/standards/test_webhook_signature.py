"""Webhook signatures against the published vector and the reference library of Standard Webhooks."""

from datetime import UTC, datetime

import pytest
from ebbmark_collector.errors import ConfigurationError
from ebbmark_collector.notify.signing import Secret, signed_headers
from hypothesis import given
from hypothesis import strategies as st
from standardwebhooks import Webhook

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"  # Standard Webhooks 1.0.0, test vector


def test_the_published_vector() -> None:
    """Secret, id, timestamp and body of the vector give its signature."""
    headers = signed_headers(
        Secret.read(SECRET),
        message_id="msg_p5jXN8AQM9LWM0D4loKWxJek",
        sent_at=datetime.fromtimestamp(1614265330, UTC),
        body=b'{"test": 2432232314}',
    )

    assert headers == {
        "webhook-id": "msg_p5jXN8AQM9LWM0D4loKWxJek",
        "webhook-timestamp": "1614265330",
        "webhook-signature": "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
    }


@given(st.dictionaries(st.text(max_size=8), st.integers(), max_size=4))
def test_the_reference_library_verifies_what_is_signed(document: dict[str, int]) -> None:
    """The published library accepts our headers for the very body, and refuses them for another."""
    import json

    body = json.dumps(document).encode()
    headers = signed_headers(Secret.read(SECRET), message_id="msg_1", sent_at=datetime.now(UTC), body=body)

    assert Webhook(SECRET).verify(body, headers) == document
    with pytest.raises(Exception, match="signature"):
        Webhook(SECRET).verify(body + b" ", headers)


@pytest.mark.parametrize("text", ["whsec_c2hvcnQ=", "whsec_!!!", "", "whsec_" + "QUFB" * 30])
def test_a_secret_of_the_wrong_length_is_refused(text: str) -> None:
    """Standard Webhooks 1.0.0 asks for 24 to 64 bytes in base64; the refusal does not repeat the secret."""
    with pytest.raises(ConfigurationError) as refusal:
        Secret.read(text)

    assert not text or text not in str(refusal.value)


def test_a_secret_shows_in_no_repr() -> None:
    """What is logged of a secret is nothing."""
    assert repr(Secret.read(SECRET)) == "Secret()"
