"""The owner's settings: safe by default, checked as a whole."""

from pathlib import Path

import pytest
from ebbmark_agent.errors import SettingsError, SettingsMissingError
from ebbmark_agent.settings import Settings, load_settings, parse_probe_hours, setting_keys


def written(folder: Path, text: str) -> Path:
    """Write a settings file."""
    path = folder / "agent.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_nothing_is_written_by_default() -> None:
    """Without any settings no automatic probe may write."""
    assert not Settings().limits.writes_allowed


def test_nothing_private_leaves_by_default() -> None:
    """Labels, paths and process names stay on the machine unless switched on."""
    assert set(Settings().privacy.model_dump().values()) == {False}


def test_every_fault_is_told_at_once(tmp_path: Path) -> None:
    """An unknown key, a wrong type, a bad span and an unknown variable are all named in one error."""
    path = written(
        tmp_path,
        'colector = 1\n[limits]\nquiet_s = "soon"\nprobe_hours = ["late"]\n[spool]\nmax_bytes = 12\n',
    )

    with pytest.raises(SettingsError) as caught:
        load_settings(path=path, environment={"EBBMARK_LIMITS_QIET_S": "3"})

    assert {fault.split(":")[0] for fault in caught.value.faults} == {
        "EBBMARK_LIMITS_QIET_S",
        "colector",
        "limits.quiet_s",
        "limits.probe_hours",
        "spool.max_bytes",
    }


def test_the_environment_overrides_the_file(tmp_path: Path) -> None:
    """A variable named after a setting wins over the file; lists are written as in TOML."""
    path = written(tmp_path, "[limits]\nquiet_s = 5\nwrites_allowed = false\n")

    settings = load_settings(
        path=path,
        environment={
            "EBBMARK_LIMITS_WRITES_ALLOWED": "true",
            "EBBMARK_LIMITS_CAPTURE_PROCESSES": '["taker"]',
            "EBBMARK_COLLECTOR_URL": "https://collector.example:8443/",
            "PATH": "/bin",
        },
    )

    assert settings.limits.writes_allowed
    assert settings.limits.quiet_s == 5.0
    assert settings.limits.capture_processes == ("taker",)
    assert settings.collector.url == "https://collector.example:8443"


def test_systemd_names_the_state_folder(tmp_path: Path) -> None:
    """The service manager's state folder is the default, and the file's own word wins over it."""
    assert load_settings(
        path=written(tmp_path, ""), environment={"STATE_DIRECTORY": "/var/lib/one:/x"}
    ).state_dir == Path("/var/lib/one")
    assert load_settings(
        path=written(tmp_path, 'state_dir = "/two"'), environment={"STATE_DIRECTORY": "/var/lib/one"}
    ).state_dir == Path("/two")


def test_a_missing_file_is_a_sentence(tmp_path: Path) -> None:
    """A file named but not there says so and what to do."""
    with pytest.raises(SettingsMissingError, match=r"cannot be read \(No such file"):
        load_settings(path=tmp_path / "none.toml", environment={})


def test_broken_toml_names_its_line(tmp_path: Path) -> None:
    """A file that is no TOML names the place."""
    with pytest.raises(SettingsError, match="line 2"):
        load_settings(path=written(tmp_path, "state_dir = '/x'\n= 3\n"), environment={})


@pytest.mark.parametrize(
    ("span", "begin", "end", "days"),
    [
        ("01:00-06:00", 60, 360, (0, 1, 2, 3, 4, 5, 6)),
        ("mon-fri 22:00-06:00", 1320, 360, (0, 1, 2, 3, 4)),
        ("sat,sun 00:00-24:00", 0, 1440, (5, 6)),
        ("fri-mon 12:00-13:30", 720, 810, (0, 4, 5, 6)),
    ],
)
def test_spans_are_read(span: str, begin: int, end: int, days: tuple[int, ...]) -> None:
    """A span of hours is read into minutes of the local day and the days it starts on."""
    hours = parse_probe_hours(span)

    assert (hours.from_minute, hours.until_minute, hours.weekdays) == (begin, end, days)


@pytest.mark.parametrize("span", ["1-6", "25:00-26:00", "01:75-02:00", "03:00-03:00", "moon 01:00-02:00"])
def test_bad_spans_are_refused(span: str) -> None:
    """A span that cannot be read is an error that quotes it."""
    with pytest.raises(ValueError, match=repr(span)[1:-1]):
        parse_probe_hours(span)


def test_every_setting_is_described() -> None:
    """Each setting says what it is for, so that the reference can be printed from the program."""
    for keys in setting_keys():
        model = Settings if len(keys) == 1 else Settings.model_fields[keys[0]].annotation
        assert model.model_fields[keys[-1]].description, keys


def test_the_shipped_example_names_every_setting_with_its_default() -> None:
    """The example file loads, says nothing but the defaults, and has a line for each setting."""
    example = Path(__file__).resolve().parents[2] / "deploy" / "agent.toml"
    settings = load_settings(path=example, environment={})
    lines = example.read_text(encoding="utf-8").splitlines()

    assert settings == Settings(state_dir=Path("/var/lib/ebbmark-agent"))
    for keys in setting_keys():
        assert any(line.removeprefix("# ").startswith(f"{keys[-1]} = ") for line in lines), keys


def test_variables_of_the_other_programs_are_no_faults(tmp_path: Path) -> None:
    """What is set for the admins' client or the collector on the same machine does not stop the agent."""
    environment = {
        "EBBMARK_ADDRESS": "https://collector.example:8460",
        "EBBMARK_TOKEN_FILE": "/home/admin/token",
        "EBBMARK_CA_FILE": "/etc/ssl/studio.pem",
        "EBBMARK_COLLECTOR_SERVE__LISTEN": "127.0.0.1:8460",
    }

    settings = load_settings(path=written(tmp_path, "[limits]\nquiet_s = 5\n"), environment=environment)

    assert settings.limits.quiet_s == 5.0
