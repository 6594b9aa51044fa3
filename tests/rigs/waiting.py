"""Waits with a deadline and a reason: what a test waits for comes, or the test says what did not and why."""

import select
import subprocess
import threading
import time
from collections.abc import Callable
from typing import IO, Any


def until(
    condition: Callable[[], object],
    *,
    within_s: float,
    what: str,
    told: Callable[[], object] | None = None,
    every_s: float = 0.01,
) -> None:
    """Wait until something is so.

    Args:
        condition: What is waited for.
        within_s: The deadline [s].
        what: What is waited for, for the message.
        told: Gives what is known where it does not come, for the message.
        every_s: How often to look [s].

    Raises:
        AssertionError: It did not come within the deadline.
    """
    pause = threading.Event()
    end_s = time.monotonic() + within_s
    while not condition():
        if time.monotonic() > end_s:
            raise AssertionError(f"not within {within_s:g} s: {what}" + (f"; {told()}" if told else ""))
        pause.wait(every_s)


def next_line(stream: IO[str], *, within_s: float, what: str) -> str:
    """Read the next line that another process writes, one line for each thing asked of it.

    Raises:
        AssertionError: None came within the deadline, or the process closed its output.
    """
    ready, _, _ = select.select([stream], [], [], within_s)
    if not ready:
        raise AssertionError(f"no answer within {within_s:g} s: {what}")
    line = stream.readline()
    if not line:
        raise AssertionError(f"the other process has ended: {what}")
    return line


def ended(process: "subprocess.Popen[Any]", *, within_s: float, what: str) -> int:
    """Wait for a process to end and give its exit code; one that does not is killed.

    Raises:
        AssertionError: It had to be killed.
    """
    try:
        return process.wait(timeout=within_s)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait(timeout=10)
        raise AssertionError(f"did not end within {within_s:g} s: {what}") from None


class Beside:
    """Something done in a thread beside the test: ended with a deadline, and a failure in it is the test's.

    The thread is a daemon: whatever hangs in it never keeps the test run from ending.
    """

    def __init__(self, action: Callable[[], Any], *, within_s: float = 60.0) -> None:
        """Take what to do and how long its end is waited for [s]."""
        self._action = action
        self._within_s = within_s
        self._failure: BaseException | None = None
        self._result: Any = None
        self._thread = threading.Thread(target=self._run, daemon=True)

    def begin(self) -> "Beside":
        """Begin."""
        self._thread.start()
        return self

    @property
    def over(self) -> bool:
        """Tell whether it has ended."""
        return not self._thread.is_alive()

    def end(self) -> Any:
        """Wait for its end and give what came of it.

        Raises:
            AssertionError: It did not end within the deadline.
        """
        self._thread.join(timeout=self._within_s)
        if self._thread.is_alive():
            raise AssertionError(f"what runs beside the test did not end within {self._within_s:g} s")
        if self._failure is not None:
            raise self._failure
        return self._result

    def _run(self) -> None:
        try:
            self._result = self._action()
        except BaseException as failure:  # noqa: BLE001 - handed to the test by end()
            self._failure = failure
