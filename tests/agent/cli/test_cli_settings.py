"""The owner's settings from the command line."""

from pathlib import Path

from ebbmark_agent.settings import load_settings

from tests.agent.cli.conftest import Run


def test_good_settings_are_said_to_be_so(run: Run) -> None:
    """With nothing wrong the answer says so, and that probes may not write yet."""
    result = run("check-config")

    assert result.exit_code == 0
    assert "in order" in result.stdout
    assert "may not write" in result.stdout


def test_every_fault_is_told(run: Run, tmp_path: Path) -> None:
    """Two faults in the file are two lines, and the exit code is that of settings."""
    path = tmp_path / "agent.toml"
    path.write_text('[limits]\nquiet_s = -1\nprobe_ours = ["01:00-02:00"]\n')

    result = run("--settings", str(path), "check-config")

    assert result.exit_code == 32
    assert "limits.quiet_s" in result.stderr
    assert "limits.probe_ours: no such setting" in result.stderr


def test_a_missing_file_is_told(run: Run, tmp_path: Path) -> None:
    """A settings file that is not there has its own exit code."""
    assert run("--settings", str(tmp_path / "none.toml"), "check-config").exit_code == 33


def test_shown_settings_can_be_read_back(run: Run, tmp_path: Path) -> None:
    """What show-config prints is a settings file that means the same."""
    shown = run("show-config", EBBMARK_LIMITS_QUIET_S="7").stdout
    path = tmp_path / "shown.toml"
    path.write_text(shown)

    settings = load_settings(path=path, environment={})

    assert settings.limits.quiet_s == 7.0
    assert settings.state_dir == tmp_path / "state"
