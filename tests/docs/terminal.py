"""The reader's terminal: one shell for a whole page, with services left running in the background."""

import os
import re
import secrets
import signal
import subprocess
import sys
import threading
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Self

from tests.rigs.leash import Leash

_SERVICES = ("ebbmark-collector serve", "ebbmark-agent run\n")
_PATIENCE_S = 90.0


class Terminal:
    """A shell in a folder of its own; ending it ends what was started in it."""

    def __init__(self, folder: Path, *, stand_for: Mapping[str, str] | None = None) -> None:
        """Open a shell.

        Args:
            folder: The reader's folder.
            stand_for: What stands on the page, and what it is here.
        """
        self.folder = folder
        self.stand_for = dict(stand_for or {})
        self._leash = Leash()  # of a harness that is killed nothing stays behind either
        self._services: list[subprocess.Popen[bytes]] = []
        kept = {name: value for name, value in os.environ.items() if not name.startswith("EBBMARK_")}
        self._environment = {
            **kept,
            "PATH": f"{Path(sys.executable).parent}:{kept['PATH']}",
            "HOME": str(folder),
            "LANG": "C.UTF-8",
            "COLUMNS": "160",
        }
        self._shell = subprocess.Popen(
            ["bash", "--noprofile", "--norc"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            cwd=folder,
            env=self._environment,
            text=True,
            start_new_session=True,
        )
        self._leash.hold(self._shell.pid)

    def __enter__(self) -> Self:
        """Give the terminal."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End the shell and the services, politely first."""
        for service in (*self._services, self._shell):
            if service.poll() is None:
                os.killpg(service.pid, signal.SIGTERM)
            try:
                service.wait(timeout=40)
            except subprocess.TimeoutExpired:
                os.killpg(service.pid, signal.SIGKILL)
                service.wait()
        for stream in (self._shell.stdin, self._shell.stdout):
            if stream is not None:
                stream.close()
        self._leash.let_go()

    def put(self, text: str) -> str:
        """Put in what stands for other things on the page, longest first."""
        for placeholder in sorted(self.stand_for, key=len, reverse=True):
            text = text.replace(placeholder, self.stand_for[placeholder])
        return text

    def write(self, name: str, text: str) -> None:
        """Write a file of the page."""
        (self.folder / name).write_text(self.put(text), encoding="utf-8")

    def type(self, command: str) -> tuple[int, str]:
        """Type a command; give its exit code and what it said. A service is started and left running."""
        command = self.put(command)
        if f"{command}\n".startswith(_SERVICES):
            return 0, self._serve(command)
        assert self._shell.stdin is not None
        mark = f"end-{secrets.token_hex(8)}"
        self._shell.stdin.write(f"{command}\nprintf '\\n%s %s\\n' {mark} $?\n")
        self._shell.stdin.flush()
        return self._until(mark)

    def _until(self, mark: str) -> tuple[int, str]:
        assert self._shell.stdout is not None
        impatient = threading.Timer(_PATIENCE_S, os.killpg, (self._shell.pid, signal.SIGKILL))
        impatient.start()
        said: list[str] = []
        try:
            for line in self._shell.stdout:
                if line.startswith(mark):
                    return int(line.split()[1]), "".join(said)
                said.append(line)
        finally:
            impatient.cancel()
        raise AssertionError(f"the shell ended, or did not answer in {_PATIENCE_S:.0f} s: {''.join(said)}")

    def _serve(self, command: str) -> str:
        exported = self.type("export -p")[1]
        log = self.folder / f"service-{len(self._services)}.log"
        with log.open("wb") as out:
            service = subprocess.Popen(
                ["bash", "--noprofile", "--norc", "-c", f"{exported}\nexec {command}"],
                stdout=out,
                stderr=subprocess.STDOUT,
                stdin=subprocess.DEVNULL,
                cwd=self.folder,
                env=self._environment,
                start_new_session=True,
            )
        self._services.append(service)
        self._leash.hold(service.pid)
        ready = "listening on " if "collector" in command else "starts"
        pause = threading.Event()
        for _ in range(int(_PATIENCE_S / 0.1)):
            said = log.read_text(encoding="utf-8", errors="replace")
            if ready in said:
                token = re.search(r"^admin token: (\S+)$", said, re.MULTILINE)
                if token:
                    self.stand_for["PASTE_THE_ADMIN_TOKEN"] = token[1]
                return said
            if service.poll() is not None:
                break
            pause.wait(0.1)
        raise AssertionError(f"`{command}` did not start: {log.read_text()[-2000:]}")
