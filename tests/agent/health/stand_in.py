"""A program that stands in for smartctl: readers can be tried without a drive and without root."""

import json
import stat
from collections.abc import Mapping
from pathlib import Path
from typing import Any

# Looks for an answer named after the device and, if one was asked for, the device type.
_ANSWERING = r"""#!/bin/sh
here=$(dirname "$0")
printf '%s\n' "$*" >> "$here/calls"
type=
while [ $# -gt 1 ]; do
    [ "$1" = "-d" ] && type=$2
    shift
done
name=$(printf '%s' "$1" | tr '/:\\' '___')
[ -n "$type" ] && name="$name@$type"
[ -f "$here/$name.sleep" ] && exec sleep "$(cat "$here/$name.sleep")"
if [ -f "$here/$name.out" ]; then
    cat "$here/$name.out"
    exit "$(cat "$here/$name.status")"
fi
printf '{"smartctl": {"messages": [{"string": "Smartctl open device: %s failed: No such device",' "$1"
printf ' "severity": "error"}], "exit_status": 2}}'
exit 2
"""

# Plays recorded text back as a smartctl before 7.0 would print it: no JSON, whatever it was asked.
_REPLAYING = r"""#!/bin/sh
while [ $# -gt 1 ]; do
    [ "$1" = "-d" ] && type=$2
    shift
done
name=_-d_${type}_--all_$(printf '%s' "$1" | tr '/:\\' '___')
if [ -f "RECORDINGS/$name" ]; then
    exec cat "RECORDINGS/$name"
fi
echo "no recording $name" >&2
exit 2
"""


class StandIn:
    """A folder with an executable `smartctl` in it that answers what it was told to."""

    def __init__(self, folder: Path) -> None:
        """Put the program into `folder`."""
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.program = write_program(folder / "smartctl", _ANSWERING)

    def answer(
        self, node: str, document: Mapping[str, Any] | str, *, status: int = 0, device_type: str | None = None
    ) -> None:
        """Answer for a device with a JSON document, or with bare text, and an exit status."""
        text = document if isinstance(document, str) else json.dumps(document)
        name = self._name(node, device_type)
        (self.folder / f"{name}.out").write_text(text, encoding="utf-8")
        (self.folder / f"{name}.status").write_text(str(status), encoding="ascii")

    def hang(self, node: str, *, for_s: float) -> None:
        """Answer for a device with silence."""
        (self.folder / f"{self._name(node, None)}.sleep").write_text(str(for_s), encoding="ascii")

    def calls(self) -> list[str]:
        """Give the command lines so far, without the program's name."""
        log = self.folder / "calls"
        return log.read_text(encoding="utf-8").splitlines() if log.exists() else []

    def _name(self, node: str, device_type: str | None) -> str:
        name = node.translate(str.maketrans("/:\\", "___"))
        return f"{name}@{device_type}" if device_type else name


def replay_program(path: Path, recordings: Path) -> str:
    """Write a program that plays one folder of recorded text back and give its path."""
    return write_program(path, _REPLAYING.replace("RECORDINGS", str(recordings)))


def write_program(path: Path, text: str) -> str:
    """Write an executable script and give its path."""
    path.write_text(text, encoding="utf-8")
    path.chmod(path.stat().st_mode | stat.S_IXUSR | stat.S_IXGRP | stat.S_IXOTH)
    return str(path)
