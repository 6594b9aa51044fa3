"""Reaches what else Apprise reaches: an extra, off unless URLs are given, behind a list of schemes.

Only schemes on `ALLOWED` are enabled, so that nothing local (a desktop, a system log, a helper program) is
run. It never passes attachments, which could fetch files, and logs nothing of a URL but its scheme.
"""

import importlib
from collections.abc import Sequence
from typing import Any

from ebbmark_collector.errors import ConfigurationError
from ebbmark_collector.notify.messages import Message, subject_line, text_of
from ebbmark_collector.notify.outcomes import Delivered, Outcome, TryLater

ALLOWED = (
    "gotify",
    "gotifys",
    "matrix",
    "matrixs",
    "mattermost",
    "mmost",
    "mmosts",
    "ntfy",
    "ntfys",
    "slack",
    "msteams",
    "workflow",
    "workflows",
    "rocket",
    "rockets",
    "signal",
    "signals",
    "tgram",
    "discord",
    "zulip",
)


def schemes_of(urls: Sequence[str]) -> tuple[str, ...]:
    """Give the schemes of some URLs, and nothing else of them."""
    return tuple(url.partition("://")[0].strip().lower() for url in urls)


def check(urls: Sequence[str]) -> None:
    """Refuse URLs of schemes that are not on the list.

    Raises:
        ConfigurationError: With every scheme that is not.
    """
    faults = [
        f"An address of scheme {scheme or '(none)'} is not allowed; these are: {', '.join(ALLOWED)}."
        for scheme in schemes_of(urls)
        if scheme not in ALLOWED
    ]
    if faults:
        raise ConfigurationError(faults)


def send(urls: Sequence[str], message: Message) -> Outcome:
    """Make one attempt to reach all of them.

    Raises:
        ConfigurationError: A scheme is not allowed, a URL is not understood, or Apprise is not installed.
    """
    check(urls)
    sender = _sender(urls)
    if sender.notify(title=subject_line(message.body), body=text_of(message.body)):
        return Delivered()
    return TryLater(sentence=f"One of {len(urls)} addresses ({', '.join(schemes_of(urls))}) was not reached.")


def _sender(urls: Sequence[str]) -> Any:
    try:
        apprise: Any = importlib.import_module("apprise")
    except ImportError as error:
        raise ConfigurationError(["Apprise is not installed; install the extra `apprise`."]) from error
    apprise.NotificationManager().enable_only(*ALLOWED)
    sender: Any = apprise.Apprise()
    for url in urls:
        if not sender.add(url):
            raise ConfigurationError([f"An address of scheme {schemes_of([url])[0]} is not understood."])
    return sender
