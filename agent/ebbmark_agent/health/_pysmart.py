"""The one door to pySMART: its text parser as a second opinion, without its effects on the whole process.

pySMART sets `LANG` and replaces the logger class when it is imported, and starts several processes a drive.
Here both settings are put back, and it is handed text that was already read: it never starts a process.
"""

import logging
import os
from collections.abc import Sequence
from typing import Any

_LANG = os.environ.get("LANG")
_LOGGER_CLASS = logging.getLoggerClass()

from pySMART import Device  # noqa: E402  # the settings above must be seen before the import changes them
from pySMART.smartctl import Smartctl  # noqa: E402
from pySMART.utils import smartctl_isvalid_type  # noqa: E402

logging.setLoggerClass(_LOGGER_CLASS)
if _LANG is None:
    os.environ.pop("LANG", None)
else:
    os.environ["LANG"] = _LANG

_log = logging.getLogger(__name__)
_ANSWERED_FROM_TEXT = "--all"


class _CapturedSmartctl(Smartctl):  # type: ignore[misc]  # pySMART has no types
    """Answers pySMART's main question from text in hand and every other one with nothing."""

    def __init__(self, lines: Sequence[str]) -> None:
        super().__init__(smartctl_path="smartctl")
        self._lines = list(lines)

    def _exec(self, cmd: list[str]) -> tuple[list[str], int]:
        return (list(self._lines), 0) if _ANSWERED_FROM_TEXT in cmd else ([], 1)


def parse_text(node: str, device_type: str, lines: Sequence[str]) -> Any | None:
    """Let pySMART read smartctl's text.

    Args:
        node: the device the text is about.
        device_type: smartctl's name for the way to it.
        lines: smartctl's output.

    Returns:
        pySMART's `Device`, or None where it does not know the type or stumbles over the text: a second
        opinion that cannot be had is no fault of the drive.
    """
    if not lines or not smartctl_isvalid_type(device_type.lower()):
        return None
    try:
        return Device(node, interface=device_type, smartctl=_CapturedSmartctl(lines))
    except (AttributeError, IndexError, KeyError, StopIteration, TypeError, ValueError) as stumble:
        # Every smartctl release has broken one of its patterns: the JSON stays, the stumble is told.
        _log.warning("pySMART could not read smartctl's text for %s: %r", node, stumble)
        return None
