"""Exit codes that scripts can rely on."""

from collections.abc import Iterator

from ebbmark_agent import errors
from ebbmark_agent.errors import AgentError, SettingsError

VERDICT_CODES = {0, 10, 11, 12, 20}
CLICK_CODES = {1, 2}


def every_error(root: type[AgentError] = AgentError) -> Iterator[type[AgentError]]:
    """Yield the root and all its subclasses."""
    yield root
    for child in root.__subclasses__():
        yield from every_error(child)


def test_exit_codes_are_unique() -> None:
    """No two error classes share an exit code, and none takes a verdict's or the command line's own."""
    codes = [error.exit_code for error in every_error()]

    assert len(codes) == len(set(codes))
    assert set(codes).isdisjoint(VERDICT_CODES | CLICK_CODES)
    assert all(code < 126 for code in codes)


def test_every_error_states_its_own_code() -> None:
    """Each class sets its exit code itself instead of inheriting its family's."""
    assert all("exit_code" in vars(error) for error in every_error())


def test_every_error_belongs_to_a_family() -> None:
    """Every leaf stands under one of the four families that say who must act."""
    families = (
        errors.ConfigurationError,
        errors.DeviceError,
        errors.DeliveryError,
        errors.DocumentError,
    )

    assert all(error is AgentError or issubclass(error, families) for error in every_error())


def test_settings_faults_are_told_at_once() -> None:
    """A settings error lists every fault on its own line."""
    error = SettingsError(source="agent.toml", faults=("a: one", "b: two"))

    assert str(error) == "agent.toml has 2 faults; correct and try again:\n  a: one\n  b: two"
