"""The two real programs as the demonstration runs them: the collector, and the agent command by command."""

import contextlib
import re
import shlex
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import requests

_PATIENCE_S = 30.0
_TOKEN = re.compile(r"^admin token: (\S+)$")


class DemoError(Exception):
    """The demonstration cannot go on; the text says why."""


@dataclass(frozen=True, kw_only=True)
class RunningCollector:
    """A collector that answers.

    Args:
        url: Where.
        admin_token: The token its first run printed.
        log: What it logs.
    """

    url: str
    admin_token: str
    log: Path


def _program(name: str) -> str:
    return str(Path(sys.executable).with_name(name))


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@contextlib.contextmanager
def collector(data: Path, log: Path) -> Iterator[RunningCollector]:
    """Run the collector on this machine until the block ends.

    Raises:
        DemoError: When it does not come up; its last words are in the text.
    """
    listen = f"127.0.0.1:{_free_port()}"
    with log.open("w") as errors:
        process = subprocess.Popen(
            [_program("ebbmark-collector"), "serve", "--data", str(data), "--listen", listen],
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
            start_new_session=True,  # Ctrl-C is for the demonstration; it ends the collector itself
        )
        try:
            token = _first_token(process, log)
            url = f"http://{listen}"
            _wait_until_ready(url, process, log)
            yield RunningCollector(url=url, admin_token=token, log=log)
        finally:
            _end(process)


def _first_token(process: "subprocess.Popen[str]", log: Path) -> str:
    assert process.stdout is not None
    for line in process.stdout:
        found = _TOKEN.match(line.strip())
        if found:
            return found[1]
    raise DemoError(f"The collector did not start. It said: {log.read_text()[-500:]}")


def _wait_until_ready(url: str, process: "subprocess.Popen[str]", log: Path) -> None:
    pause = threading.Event()
    for _ in range(int(_PATIENCE_S / 0.1)):
        with contextlib.suppress(requests.ConnectionError):
            if requests.get(f"{url}/ready", timeout=5).ok:
                return
        if process.poll() is not None:
            break
        pause.wait(0.1)
    raise DemoError(f"The collector does not answer at {url}. It said: {log.read_text()[-500:]}")


def _end(process: "subprocess.Popen[str]") -> None:
    process.terminate()
    try:
        process.wait(timeout=_PATIENCE_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    if process.stdout is not None:
        process.stdout.close()


class Agent:
    """The agent's commands with a settings file of their own, so that no agent of this machine is touched."""

    def __init__(self, folder: Path) -> None:
        """Write the settings: probing allowed at any hour, nothing kept outside the folder."""
        self.settings = folder / "agent.toml"
        self.settings.write_text(
            f"""state_dir = "{folder / "agent"}"

[limits]
writes_allowed = true            # off unless a machine's owner turns it on
probe_hours = ["00:00-24:00"]
quiet_s = 1.0
min_free_bytes = 0
min_free_share = 0.05
allow_unknown_temperature = true # a stand-in has no thermometer
require_mains = false

[privacy]
send_paths = true                # the role is given by mount point here
""",
            encoding="utf-8",
        )

    def command(self, *arguments: str) -> str:
        """Give a command as a person would type it."""
        return shlex.join(["ebbmark-agent", "--settings", str(self.settings), *arguments])

    def run(self, *arguments: str, timeout_s: float = 180.0) -> "subprocess.CompletedProcess[str]":
        """Run a command to its end."""
        return subprocess.run(
            [_program("ebbmark-agent"), "--settings", str(self.settings), *arguments],
            check=False,
            capture_output=True,
            text=True,
            timeout=timeout_s,
        )

    def must(self, *arguments: str) -> str:
        """Run a command that has to succeed and give what it said.

        Raises:
            DemoError: When it fails, with its own sentence.
        """
        done = self.run(*arguments)
        if done.returncode:
            said = (done.stderr or done.stdout).strip()
            raise DemoError(f"`{self.command(*arguments)}` ended with {done.returncode}: {said[-600:]}")
        return done.stdout.strip()
