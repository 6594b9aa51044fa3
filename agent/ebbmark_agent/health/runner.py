"""Runs smartctl: one process a read, JSON and text from the same run, with a deadline and its exit status."""

import os
import shutil
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from ebbmark_agent.health.document import Document

# Where packages put smartctl when it is not on the path of an unprivileged user.
USUAL_PLACES = (
    "/usr/sbin/smartctl",
    "/sbin/smartctl",
    "/usr/local/sbin/smartctl",
    "/usr/local/bin/smartctl",
    "/opt/homebrew/sbin/smartctl",
    "/opt/homebrew/bin/smartctl",
    "C:/Program Files/smartmontools/bin/smartctl.exe",
)
DEFAULT_TIMEOUT_S = 30.0
_AFTER_KILL_S = 2.0
_THE_LIST = "the list of devices"
# `-f old` keeps the attribute table in the form pySMART reads; each log is asked only of drives that have it.
_WHAT_TO_READ = (
    *("--all", "-f", "old"),
    *("-l", "devstat", "-l", "sataphy", "-l", "scttempsts"),  # ATA
    *("-l", "background"),  # SCSI: the only place with its hours
)


class RunEnd(StrEnum):
    """How the run of the program itself ended, whatever it said."""

    ANSWERED = "answered"
    NO_PROGRAM = "no_program"
    NOT_ALLOWED = "not_allowed"
    TIMED_OUT = "timed_out"


@dataclass(frozen=True, kw_only=True)
class SmartctlRead:
    """What one smartctl process gave: its JSON, the text it would have printed, its exit bits."""

    node: str
    end: RunEnd
    document: Document = field(default_factory=Document)
    lines: tuple[str, ...] = ()
    exit_status: int | None = None
    complaint: str = ""
    privileged: bool = True
    present: bool = True

    @property
    def bits(self) -> int | None:
        """Give the exit status where it is one: eight bits, each with its meaning."""
        return self.exit_status if self.exit_status is not None and 0 <= self.exit_status <= 255 else None

    def messages(self) -> tuple[str, ...]:
        """Give smartctl's own messages."""
        return tuple(
            text
            for row in self.document.rows("smartctl", "messages")
            if (text := row.text("string")) is not None
        )

    def device_type(self) -> str | None:
        """Give smartctl's name for the way to the device, such as `sat` or `nvme`."""
        return self.document.text("device", "type")

    def everything_said(self) -> str:
        """Give all that was said in one text, to look for a reason in."""
        return "\n".join((*self.messages(), *self.lines, self.complaint))


def find_smartctl(configured: str | None = None, *, places: Sequence[str] = USUAL_PLACES) -> str | None:
    """Find the program.

    Args:
        configured: the path in the settings; it alone counts when given.
        places: where to look beyond the search path.

    Returns:
        Its path, or None if it is not installed.
    """
    if configured is not None:
        return configured if Path(configured).exists() else shutil.which(configured)
    return shutil.which("smartctl") or next((place for place in places if Path(place).is_file()), None)


@dataclass(frozen=True, kw_only=True)
class Listed:
    """One device that smartctl lists: how it is to be named."""

    node: str
    device_type: str


class JsonSmartctl:
    """Asks smartctl about one drive at a time; a run that hangs is killed and never piled upon."""

    def __init__(
        self, program: str | None = None, *, timeout_s: float = DEFAULT_TIMEOUT_S, look_up: bool = True
    ) -> None:
        """Take the program's path and the deadline of one run [s].

        Args:
            program: its path; without one it is looked for at every read, since it may be installed later.
            timeout_s: deadline of one run [s].
            look_up: False takes a missing `program` for "not installed" (for tests).
        """
        self._program = program
        self._timeout_s = timeout_s
        self._look_up = look_up
        self._stuck: dict[str, subprocess.Popen[bytes]] = {}

    def read(self, node: str, *, device_type: str | None = None, let_sleep: bool = False) -> SmartctlRead:
        """Run smartctl once.

        Args:
            node: the device's name for smartctl, such as `/dev/sda`.
            device_type: smartctl's device type; without one smartctl finds out.
            let_sleep: do not wake a drive whose disks stand still.

        Returns:
            What it gave, also when it could not be run: a missing program or a hang is an answer here.
        """
        program = find_smartctl(self._program) if self._look_up or self._program else None
        if program is None:
            return SmartctlRead(node=node, end=RunEnd.NO_PROGRAM)
        if self._hangs_still(node):
            return SmartctlRead(
                node=node, end=RunEnd.TIMED_OUT, complaint="an earlier read of this drive still hangs"
            )
        argv = [program, "--json=o", *_WHAT_TO_READ]
        if let_sleep:
            argv += ["-n", "standby"]
        if device_type is not None:
            argv += ["-d", device_type]
        return self._run([*argv, node], node)

    def list_devices(self) -> tuple[Listed, ...]:
        """Ask smartctl which devices it can reach, disks behind RAID controllers included.

        None of them is opened for it, so none that sleeps is woken.

        Returns:
            The devices; none where smartctl is missing, hangs, may not look or lists nothing.
        """
        program = find_smartctl(self._program) if self._look_up or self._program else None
        if program is None or self._hangs_still(_THE_LIST):
            return ()
        listed = self._run([program, "--json=o", "--scan"], _THE_LIST).document.rows("devices")
        return tuple(
            Listed(node=node, device_type=kind)
            for row in listed
            if (node := row.text("name")) is not None and (kind := row.text("type")) is not None
        )

    def _hangs_still(self, node: str) -> bool:
        process = self._stuck.get(node)
        if process is None:
            return False
        if process.poll() is None:
            return True
        del self._stuck[node]
        return False

    def _run(self, argv: list[str], node: str) -> SmartctlRead:
        try:
            process = subprocess.Popen(
                argv,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                env=_plain_language(os.environ),
            )
        except FileNotFoundError:
            return SmartctlRead(node=node, end=RunEnd.NO_PROGRAM)
        except OSError as refusal:
            return SmartctlRead(node=node, end=RunEnd.NOT_ALLOWED, complaint=str(refusal))
        try:
            out, err = process.communicate(timeout=self._timeout_s)
        except subprocess.TimeoutExpired:
            self._put_down(process, node)
            return SmartctlRead(
                node=node, end=RunEnd.TIMED_OUT, complaint=f"no answer in {self._timeout_s:g} s"
            )
        return _answer(node, out, err, process.returncode)

    def _put_down(self, process: "subprocess.Popen[bytes]", node: str) -> None:
        process.kill()
        try:
            process.communicate(timeout=_AFTER_KILL_S)
        except subprocess.TimeoutExpired:
            # A process that waits for a dead drive cannot be killed; remembered, so that no second joins it.
            self._stuck[node] = process
            for stream in (process.stdout, process.stderr):
                if stream is not None:
                    stream.close()


def _plain_language(environment: Mapping[str, str]) -> dict[str, str]:
    kept = {key: value for key, value in environment.items() if not key.startswith(("LC_", "LANG"))}
    return {**kept, "LC_ALL": "C"}


def _answer(node: str, out: bytes, err: bytes, status: int) -> SmartctlRead:
    text = _decode(out)
    complaint = err.decode("utf-8", errors="replace").strip()
    document = Document.parse(text)
    if document is None:  # a smartctl before 7.0 knows no JSON; its text is still good for pySMART
        return SmartctlRead(
            node=node,
            end=RunEnd.ANSWERED,
            lines=tuple(text.splitlines()),
            exit_status=status if status >= 0 else None,
            complaint=complaint,
            privileged=_privileged(),
            present=_present(node),
        )
    said = document.number("smartctl", "exit_status")
    return SmartctlRead(
        node=node,
        end=RunEnd.ANSWERED,
        document=document,
        lines=document.lines("smartctl", "output"),
        exit_status=said if said is not None else (status if status >= 0 else None),
        complaint=complaint,
        privileged=_privileged(),
        present=_present(node),
    )


def _privileged() -> bool:
    return not hasattr(os, "geteuid") or os.geteuid() == 0


def _present(node: str) -> bool:
    # Smartctl tells a name it does not know the same way whether or not there is such a device.
    return not node.startswith("/dev/") or os.name != "posix" or Path(node).exists()


def _decode(out: bytes) -> str:
    try:
        return out.decode("utf-8")
    except UnicodeDecodeError:
        # Some systems group digits with a byte of their own code page; figures are plain ASCII without it.
        return out.decode("ascii", errors="ignore")
