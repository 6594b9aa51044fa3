"""Where the collector is and by which token: options first, then the environment, then the owner's file.

The file is `~/.config/ebbmark/client.toml`, or where the platform keeps such files:

    address = "https://collector.example:8460"
    token_file = "/home/me/.config/ebbmark/token"
    ca_file = "/etc/ssl/studio-ca.pem"
"""

import ipaddress
import stat
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from platformdirs import user_config_path

from ebbmark_collector.client.failures import ClientSettingsError, TokenError

DEFAULT_ADDRESS = "http://127.0.0.1:8460"
_KEYS = {
    "address": str,
    "token_file": str,
    "ca_file": str,
    "plain_http_beyond_loopback": bool,
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Access:
    """Where to ask and how to show who asks.

    Attributes:
        address: Scheme, host and port, without a path.
        token: The token's text; None where none was found.
        ca_file: Certificates to trust instead of the machine's own.
    """

    address: str
    token: str | None
    ca_file: Path | None

    def need_token(self) -> str:
        """Give the token.

        Raises:
            TokenError: When there is none.
        """
        if self.token is None:
            raise TokenError(
                "No token: put one in a file only you can read and name it with EBBMARK_TOKEN_FILE or "
                "--token-file. An admin makes one with `ebbmark-collector token`."
            )
        return self.token


def settings_path() -> Path:
    """Give where the client's own file lies."""
    return user_config_path("ebbmark") / "client.toml"


def is_loopback(host: str) -> bool:
    """Tell whether a host is this machine."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def check_address(address: str, *, plain_http_beyond_loopback: bool) -> str:
    """Give an address without a trailing slash.

    Raises:
        ClientSettingsError: When it is no address, or a token would travel readable over it.
    """
    try:
        parts = urlsplit(address)
        host, _ = parts.hostname, parts.port
    except ValueError as error:
        raise ClientSettingsError(f"{address} is not an address: {error}.") from error
    if parts.scheme not in {"http", "https"} or not host or parts.path.strip("/") or parts.query:
        raise ClientSettingsError(f"{address} is not an address, as in https://collector.example:8460.")
    if "@" in parts.netloc:
        raise ClientSettingsError("An address holds no user name or password; the token goes into a file.")
    if parts.scheme == "http" and not is_loopback(host) and not plain_http_beyond_loopback:
        raise ClientSettingsError(
            f"{address} is plain HTTP beyond this machine: the token would travel readable. Use https, or "
            f"set plain_http_beyond_loopback = true in {settings_path()} if the network is closed."
        )
    return f"{parts.scheme}://{parts.netloc}"


def read_token(path: Path) -> str:
    """Read a token from a file that only its owner may read.

    Raises:
        TokenError: When it cannot be read, others may read it, or it holds no token.
    """
    try:
        mode = path.stat().st_mode
        text = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or "it is not text"
        raise TokenError(f"The token file {path} cannot be read: {why}.") from error
    if stat.S_IMODE(mode) & 0o077 and mode & stat.S_IFREG:
        raise TokenError(f"Others may read the token file {path}. Run: chmod 600 {path}")
    if not text or not text.isprintable() or not text.isascii() or " " in text:
        raise TokenError(f"The token file {path} holds no token; it should hold one line, ebb_...")
    return text


def read_file(path: Path, *, must_exist: bool) -> Mapping[str, Any]:
    """Read the client's file and tell every fault in it at once.

    Raises:
        ClientSettingsError: When it cannot be read or holds what it should not.
    """
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        if must_exist:
            raise ClientSettingsError(f"There is no file {path}.") from error
        return {}
    except OSError as error:
        raise ClientSettingsError(f"{path} cannot be read: {error.strerror}.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ClientSettingsError(f"{path} is not TOML: {error}.") from error
    faults = [
        f"{key}: there is no such key; there are {', '.join(_KEYS)}" for key in found if key not in _KEYS
    ]
    faults += [
        f"{key}: {'true or false' if kind is bool else 'a text'} is needed"
        for key, kind in _KEYS.items()
        if key in found and not isinstance(found[key], kind)
    ]
    if faults:
        raise ClientSettingsError(f"{path}: " + "; ".join(faults) + ".")
    return found


def find(
    environ: Mapping[str, str],
    *,
    address: str | None = None,
    token_file: Path | None = None,
    ca_file: Path | None = None,
    config: Path | None = None,
) -> Access:
    """Put the settings in force together.

    Args:
        environ: EBBMARK_ADDRESS, EBBMARK_TOKEN, EBBMARK_TOKEN_FILE, EBBMARK_CA_FILE; wins over the file.
        address: As said on the command line; wins over all, like the others below.
        token_file: See `address`.
        ca_file: See `address`.
        config: The client's file; its usual place unless given.

    Raises:
        ClientSettingsError: When the address or the file is wrong.
        TokenError: When a token file is named and cannot be used.
    """
    file = read_file(config or settings_path(), must_exist=config is not None)
    found_address = address or environ.get("EBBMARK_ADDRESS") or file.get("address") or DEFAULT_ADDRESS
    token_path = token_file or _path(environ.get("EBBMARK_TOKEN_FILE"))
    token = None if token_path else environ.get("EBBMARK_TOKEN") or None
    if token is None and token_path is None:
        token_path = _path(file.get("token_file"))
    ca = ca_file or _path(environ.get("EBBMARK_CA_FILE")) or _path(file.get("ca_file"))
    if ca is not None and not ca.is_file():
        raise ClientSettingsError(f"There is no file of certificates at {ca}.")
    return Access(
        address=check_address(
            found_address, plain_http_beyond_loopback=bool(file.get("plain_http_beyond_loopback", False))
        ),
        token=read_token(token_path) if token_path else token,
        ca_file=ca,
    )


def _path(text: str | None) -> Path | None:
    return Path(text).expanduser() if text else None
