"""A person's word at the machine."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import click
import pytest
from ebbmark_agent.cli.switching import parse_until
from ebbmark_agent.errors import StateUnusableError
from ebbmark_agent.switches import Switches

from tests.agent.cli.conftest import Run

NOW = datetime(2026, 3, 10, 12, 0, tzinfo=UTC)


def test_on_air_binds_a_probe_by_hand(run: Run, tmp_path: Path) -> None:
    """While on air a probe by hand is refused with 20 and the way out; off air the switch is gone."""
    assert run("on-air").exit_code == 0
    refused = run("probe", str(tmp_path), "--bytes", "2MB")
    assert run("off-air").exit_code == 0

    assert refused.exit_code == 20
    assert "ebbmark-agent off-air" in refused.stdout
    assert not Switches(tmp_path / "state").on_air()


def test_a_hold_ends_by_itself(tmp_path: Path) -> None:
    """A hold counts until its end and not at it."""
    switches = Switches(tmp_path)
    held = switches.hold(ends_at=NOW + timedelta(hours=1), reason="Show.", now=NOW)

    assert switches.holds(now=NOW + timedelta(minutes=59)) == (held,)
    assert switches.holds(now=NOW + timedelta(hours=1)) == ()


def test_holds_are_released_together(run: Run, tmp_path: Path) -> None:
    """Releasing ends every hold set at this machine."""
    run("hold", "--until", "2h", "--reason", "Premiere.")
    run("hold", "--until", "3h")
    switches = Switches(tmp_path / "state")
    now = datetime.now(UTC)

    assert len(switches.holds(now=now)) == 2
    assert run("release").exit_code == 0
    assert switches.holds(now=now) == ()


def test_holds_that_cannot_be_read_are_an_error(tmp_path: Path) -> None:
    """A damaged file of holds is never taken for none."""
    (tmp_path / "holds.json").write_text("{")

    with pytest.raises(StateUnusableError):
        Switches(tmp_path).holds(now=NOW)


def test_a_state_folder_that_cannot_be_looked_into_counts_as_on_air(tmp_path: Path) -> None:
    """Where the switch cannot be told, the machine is taken to be on air."""
    (tmp_path / "file").write_text("")

    assert Switches(tmp_path / "file").on_air()


@pytest.mark.parametrize(
    ("text", "hours"), [("8h", 8.0), ("45m", 0.75), ("1.5h", 1.5), ("2026-03-11T12:00+00:00", 24.0)]
)
def test_ends_are_read(text: str, hours: float) -> None:
    """An end may be a length or a date with its time."""
    assert parse_until(text, now=NOW) == NOW + timedelta(hours=hours)


def test_a_time_of_day_is_the_next_one() -> None:
    """A time of day that has passed today means tomorrow's."""
    ends_at = parse_until("00:00", now=NOW)

    assert timedelta(0) < ends_at - NOW <= timedelta(days=1)


@pytest.mark.parametrize("text", ["soon", "25:00", "2020-01-01 00:00", "h"])
def test_ends_that_make_no_sense_are_refused(text: str) -> None:
    """A text that is no time, or has passed, is refused with what would do."""
    with pytest.raises(click.BadParameter):
        parse_until(text, now=NOW)
