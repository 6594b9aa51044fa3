"""What Apprise reaches, behind the list of schemes."""

import pytest
from ebbmark_collector.errors import ConfigurationError
from ebbmark_collector.notify import TryLater
from ebbmark_collector.notify.elsewhere import check, send

from tests.collector.notify.letters import a_message


@pytest.mark.parametrize(
    "url", ["syslog://", "dbus://", "gnome://", "macosx://", "json://127.0.0.1/x", "file:///etc", "x"]
)
def test_schemes_that_are_not_listed_are_refused(url: str) -> None:
    """Nothing local and nothing unlisted is reached; only the scheme is named."""
    with pytest.raises(ConfigurationError, match="is not allowed") as refusal:
        check([url])

    assert "127.0.0.1" not in str(refusal.value)


def test_listed_schemes_pass() -> None:
    """A listed scheme is let through."""
    check(["ntfys://lane.example/night", "GOTIFYS://lane.example/hush"])


@pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")  # Apprise's own import
def test_an_address_nobody_answers_is_tried_later() -> None:
    """The sentence names the scheme and not the address."""
    pytest.importorskip("apprise", reason="the extra `apprise` is not installed")

    outcome = send(["ntfy://127.0.0.1:1/night"], a_message())

    assert outcome == TryLater(sentence="One of 1 addresses (ntfy) was not reached.")
