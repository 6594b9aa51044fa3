"""A test that is killed leaves no program of its own behind."""

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

from tests.rigs.leash import Leash

ROOT = Path(__file__).resolve().parents[2]
OWNER = """
import sys
from pathlib import Path
from tests.docs.terminal import Terminal
terminal = Terminal(Path(sys.argv[1]))
terminal.type("sleep 600 & echo $! > left-running")
terminal.type("echo $$ > shell")
print("ready", flush=True)
sys.stdin.read()
"""


def _is_alive(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state != "Z"


def _gone(pid: int, *, within_s: float) -> bool:
    pause = threading.Event()
    for _ in range(int(within_s / 0.1)):
        if not _is_alive(pid):
            return True
        pause.wait(0.1)
    return False


def test_a_killed_owner_takes_its_programs_with_it(tmp_path: Path) -> None:
    """Killed with SIGKILL, a terminal's owner leaves neither its shell nor what runs in the background."""
    owner = subprocess.Popen(
        [sys.executable, "-c", OWNER, str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )
    assert owner.stdin is not None
    assert owner.stdout is not None
    assert owner.stdout.readline() == "ready\n"
    started = [int((tmp_path / name).read_text()) for name in ("left-running", "shell")]
    alive = [_is_alive(pid) for pid in started]
    owner.kill()
    owner.wait(timeout=30)
    owner.stdin.close()
    owner.stdout.close()

    assert alive == [True, True]
    assert [_gone(pid, within_s=30) for pid in started] == [True, True]


def test_who_is_let_go_lives(tmp_path: Path) -> None:
    """An owner that ends well ends its programs itself; the leash touches none of them then."""
    leash = Leash()
    program = subprocess.Popen(["sleep", "600"], start_new_session=True)
    leash.hold(program.pid)
    leash.let_go()
    alive = program.poll() is None
    os.killpg(program.pid, signal.SIGKILL)
    program.wait(timeout=30)

    assert alive
