"""Where a webhook may go: rules that keep a URL from reaching into the house's own network by a trick.

Rules.

1. https, or http where the host is on the list of allowed hosts. No user name or password in the URL.
2. The host is on the list, where there is one.
3. The name is resolved once, every address it has is looked at, and the connection goes to the very address
   that was looked at: a name that answers differently the second time gains nothing.
4. Unspecified, multicast, link-local and reserved addresses are refused always (a cloud's metadata service
   lives on a link-local one). Loopback and private ones only for hosts on the list.
5. Redirects are not followed.
"""

import ipaddress
import socket
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from urllib.parse import urlsplit

_ANY_PUBLIC = "2001:4860::"  # stands in for what a name may lead to; nothing is sent to it
Resolve = Callable[[str, int], Sequence[str]]


class AddressRefused(Exception):  # noqa: N818 -- names the outcome
    """A URL that may not be called, with the reason as a sentence that holds no secret."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Destination:
    """Where to connect: the address that was looked at, and the name to ask it for."""

    scheme: str
    host: str
    port: int
    address: str

    @property
    def authority(self) -> str:
        """Give host and port as in a Host header."""
        bare = f"[{self.host}]" if ":" in self.host else self.host
        usual = 443 if self.scheme == "https" else 80
        return bare if self.port == usual else f"{bare}:{self.port}"


def resolve(host: str, port: int) -> list[str]:
    """Give every address a name has.

    Raises:
        AddressRefused: It has none.
    """
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except OSError as error:
        raise AddressRefused(f"The name {host} has no address just now.") from error
    return list(dict.fromkeys(str(entry[4][0]) for entry in found))


def destination(url: str, *, allowed_hosts: Sequence[str] = (), resolve: Resolve = resolve) -> Destination:
    """Look at a URL and say where to connect.

    Args:
        url: The webhook's URL.
        allowed_hosts: Hosts it may go to; empty: any public one.
        resolve: Gives the addresses of a name.

    Raises:
        AddressRefused: It may not be called; the reason says why and what to change.
    """
    try:
        parts = urlsplit(url)
        host, port = (parts.hostname or "").rstrip(".").lower(), parts.port
    except ValueError as error:
        raise AddressRefused("The webhook's URL cannot be read.") from error
    allowed = {h.rstrip(".").lower() for h in allowed_hosts}
    _check_name(parts.scheme, host, allowed, with_user="@" in parts.netloc)
    port = port if port is not None else (443 if parts.scheme == "https" else 80)
    addresses = resolve(host, port)
    if not addresses:
        raise AddressRefused(f"The name {host} has no address just now.")
    for address in addresses:
        _check_address(host, address, listed=host in allowed)
    return Destination(scheme=parts.scheme, host=host, port=port, address=addresses[0])


def check_beforehand(url: str, *, allowed_hosts: Sequence[str] = ()) -> None:
    """Refuse a URL that no answer of a resolver could make right, without asking one.

    Raises:
        AddressRefused: It may not be called; the reason says why and what to change.
    """
    host = urlsplit(url).hostname if "[" not in url or "]" in url else None
    try:
        ipaddress.ip_address((host or "").partition("%")[0])
        found = [host or ""]
    except ValueError:
        found = [_ANY_PUBLIC]
    destination(url, allowed_hosts=allowed_hosts, resolve=lambda *_: found)


def _check_name(scheme: str, host: str, allowed: set[str], *, with_user: bool) -> None:
    if scheme not in {"https", "http"} or not host:
        raise AddressRefused("A webhook goes to an https URL.")
    if with_user:
        raise AddressRefused(f"The URL for {host} holds a user name or password; take it out.")
    if allowed and host not in allowed:
        raise AddressRefused(f"{host} is not among the hosts a webhook may go to; add it in the settings.")
    if scheme == "http" and host not in allowed:
        raise AddressRefused(f"{host} is asked for without TLS; use https, or list it as an allowed host.")


def _check_address(host: str, address: str, *, listed: bool) -> None:
    ip = ipaddress.ip_address(address.partition("%")[0])
    if isinstance(ip, ipaddress.IPv6Address) and ip.ipv4_mapped is not None:
        ip = ip.ipv4_mapped
    if ip.is_unspecified or ip.is_multicast or ip.is_link_local or (ip.is_reserved and not ip.is_loopback):
        raise AddressRefused(f"{host} leads to {ip}, where no webhook may go.")
    if not ip.is_global and not listed:
        raise AddressRefused(
            f"{host} leads to {ip}, a private address; list the host in the settings to allow it."
        )
