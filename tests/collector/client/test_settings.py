"""Where the client finds the collector and its token, and what it refuses to use."""

import subprocess
import sys
from pathlib import Path

import pytest
from ebbmark_collector.client.failures import ClientSettingsError, TokenError
from ebbmark_collector.client.settings import check_address, find, read_token

from tests.collector.client.conftest import token_file


def test_a_token_file_others_may_read_is_refused(tmp_path: Path) -> None:
    """A file with any right for group or others is refused with the command that mends it."""
    path = token_file(tmp_path, "token", "ebb_a_b")
    path.chmod(0o640)

    with pytest.raises(TokenError, match="chmod 600"):
        read_token(path)


@pytest.mark.parametrize("text", ["", "two words", "line\nline", "ebb_ä_b"])
def test_a_file_that_holds_no_token_is_told(tmp_path: Path, text: str) -> None:
    """What cannot be a token never becomes a header."""
    with pytest.raises(TokenError, match="holds no token"):
        read_token(token_file(tmp_path, "token", text))


def test_the_command_line_wins_over_the_environment_and_that_over_the_file(tmp_path: Path) -> None:
    """Each place is asked in turn."""
    token = token_file(tmp_path, "token", "ebb_file_x")
    config = tmp_path / "client.toml"
    config.write_text(f'address = "https://file.example"\ntoken_file = "{token}"\n')
    environ = {"EBBMARK_ADDRESS": "https://env.example", "EBBMARK_TOKEN": "ebb_env_x"}

    from_file = find({}, config=config)
    from_env = find(environ, config=config)
    said = find(environ, config=config, address="https://said.example", token_file=token)

    assert (from_file.address, from_file.token) == ("https://file.example", "ebb_file_x")
    assert (from_env.address, from_env.token) == ("https://env.example", "ebb_env_x")
    assert (said.address, said.token) == ("https://said.example", "ebb_file_x")


def test_every_fault_of_the_file_is_told_at_once(tmp_path: Path) -> None:
    """Two faults, one message."""
    config = tmp_path / "client.toml"
    config.write_text('adress = "x"\nca_file = 5\n')

    with pytest.raises(ClientSettingsError, match=r"adress.*ca_file"):
        find({}, config=config)


@pytest.mark.parametrize(
    ("address", "fine"),
    [
        ("http://127.0.0.1:8460", True),
        ("http://[::1]:8460/", True),
        ("http://localhost", True),
        ("https://collector.example", True),
        ("http://collector.example", False),
        ("http://127.0.0.1.example:80", False),
        ("http://10.0.0.4:8460", False),
        ("https://collector.example/path", False),
        ("collector.example:8460", False),
        ("http://127.0.0.1:99999", False),
    ],
)
def test_a_token_never_travels_readable_beyond_this_machine(address: str, fine: bool) -> None:
    """Plain HTTP is for loopback only, unless the network was said to be closed."""
    if fine:
        assert not check_address(address, plain_http_beyond_loopback=False).endswith("/")
    else:
        with pytest.raises(ClientSettingsError):
            check_address(address, plain_http_beyond_loopback=False)


def test_plain_http_can_be_said_to_be_fine(tmp_path: Path) -> None:
    """Only the file may say so, not an address in passing."""
    config = tmp_path / "client.toml"
    config.write_text('address = "http://10.0.0.4:8460"\nplain_http_beyond_loopback = true\n')

    assert find({}, config=config).address == "http://10.0.0.4:8460"


def test_the_client_needs_no_server_libraries() -> None:
    """Where only the agent's libraries are installed, the client runs: no flask, no waitress."""
    code = (
        "import sys\nfor name in ('flask', 'waitress', 'werkzeug', 'granian'): sys.modules[name] = None\n"
        "from ebbmark_collector.client import main\nmain(['--help'])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False
    )

    assert done.returncode == 0, done.stderr
    assert "fleet" in done.stdout
