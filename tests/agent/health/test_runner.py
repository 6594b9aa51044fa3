"""One smartctl process a read: what it is asked, how long it may take, what becomes of a hang."""

import os
import stat
from pathlib import Path

import pytest
from ebbmark_agent.health import JsonSmartctl, RunEnd, find_smartctl

from tests.agent.health.documents import nvme
from tests.agent.health.stand_in import StandIn, write_program
from tests.rigs.waiting import until


def test_one_process_a_read(stand_in: StandIn, runner: JsonSmartctl) -> None:
    """A read is one process, and gives JSON and exit status of the same run."""
    stand_in.answer("/dev/nvme0", nvme(status=8), status=8)
    read = runner.read("/dev/nvme0")

    assert len(stand_in.calls()) == 1
    assert (read.end, read.exit_status) == (RunEnd.ANSWERED, 8)
    assert read.device_type() == "nvme"


def test_what_is_asked(stand_in: StandIn, runner: JsonSmartctl) -> None:
    """JSON with the text in it, the standard's statistics, and the device last."""
    runner.read("/dev/sda", device_type="sat", let_sleep=True)
    (call,) = stand_in.calls()

    assert call.startswith("--json=o --all -f old")
    assert "-l devstat" in call
    assert call.endswith("-n standby -d sat /dev/sda")


def test_awake_drives_are_not_asked_about_sleep(stand_in: StandIn, runner: JsonSmartctl) -> None:
    """Only a drive that may sleep is asked in the way that lets it sleep on."""
    runner.read("/dev/nvme0")

    assert "-n" not in stand_in.calls()[0].split()


def test_language_is_plain(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever language the system speaks, smartctl is asked for plain figures and reads no input."""
    monkeypatch.setenv("LC_NUMERIC", "de_DE.UTF-8")
    monkeypatch.setenv("LANG", "de_DE.UTF-8")
    program = write_program(
        tmp_path / "smartctl",
        "#!/bin/sh\n"
        'printf \'{"all": "%s", "numeric": "%s", "input": "%s"}\' "$LC_ALL" "$LC_NUMERIC" "$(cat)"\n',
    )
    read = JsonSmartctl(program).read("/dev/sda")

    assert tuple(read.document.text(key) for key in ("all", "numeric", "input")) == ("C", None, None)


def test_hang_ends_at_the_deadline(stand_in: StandIn) -> None:
    """A drive that does not answer is given up at the deadline, and the next read tries anew."""
    stand_in.hang("/dev/sda", for_s=60)
    runner = JsonSmartctl(stand_in.program, timeout_s=0.2)

    assert RunEnd.TIMED_OUT is runner.read("/dev/sda").end
    assert RunEnd.TIMED_OUT is runner.read("/dev/sda").end
    assert len(stand_in.calls()) == 2


def test_a_run_that_cannot_be_killed_is_not_piled_upon(
    stand_in: StandIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While a process waits for a dead drive no second one joins it; once it is gone, reads go on."""
    stand_in.hang("/dev/sda", for_s=60)
    runner = JsonSmartctl(stand_in.program, timeout_s=0.2)
    kills: list[int] = []
    monkeypatch.setattr("subprocess.Popen.kill", lambda process: kills.append(process.pid))
    monkeypatch.setattr("ebbmark_agent.health.runner._AFTER_KILL_S", 0.1)
    first = runner.read("/dev/sda")
    second = runner.read("/dev/sda")
    calls_meanwhile = len(stand_in.calls())
    os.kill(kills[0], 9)
    monkeypatch.undo()
    until(
        lambda: "still hangs" not in runner.read("/dev/sda").complaint,
        within_s=20,
        what="the killed process is gone",
    )

    assert (first.end, second.end) == (RunEnd.TIMED_OUT, RunEnd.TIMED_OUT)
    assert "still hangs" in second.complaint
    assert (calls_meanwhile, len(stand_in.calls())) == (1, 2)


def test_program_that_may_not_be_run(tmp_path: Path) -> None:
    """A program that cannot be executed is a matter of rights, not a crash."""
    program = Path(write_program(tmp_path / "smartctl", "#!/bin/sh\n"))
    program.chmod(stat.S_IRUSR)

    assert RunEnd.NOT_ALLOWED is JsonSmartctl(str(program)).read("/dev/sda").end


def test_text_of_an_old_release_is_kept(stand_in: StandIn, runner: JsonSmartctl) -> None:
    """A smartctl that knows no JSON still gives its text to be read."""
    stand_in.answer("/dev/sda", "smartctl 6.6 something\nand more\n", status=1)
    read = runner.read("/dev/sda")

    assert (read.lines, read.exit_status) == (("smartctl 6.6 something", "and more"), 1)


def test_bytes_of_another_code_page_are_dropped(tmp_path: Path) -> None:
    """Digits grouped by a byte that is no UTF-8 stay whole numbers."""
    program = write_program(
        tmp_path / "smartctl", "#!/bin/sh\nprintf 'Data Units Written: 21\\240600\\240976\\n'\n"
    )

    assert JsonSmartctl(program).read("/dev/sda").lines == ("Data Units Written: 21600976",)


def test_program_is_found_beyond_the_search_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A plain user's search path lacks the system folder; smartctl is found there all the same."""
    program = write_program(tmp_path / "smartctl", "#!/bin/sh\n")
    monkeypatch.setenv("PATH", str(tmp_path / "empty"))

    assert program == find_smartctl(places=(program,))
    assert find_smartctl(places=()) is None


def test_configured_program_alone_counts(tmp_path: Path) -> None:
    """A path in the settings that leads nowhere is not replaced by another program."""
    assert find_smartctl(str(tmp_path / "nowhere")) is None
