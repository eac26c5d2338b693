"""Where the live page is: the address to listen on, and the one to tell."""

from __future__ import annotations

import socket
from ipaddress import ip_address
from urllib.parse import urlsplit

from undertray.errors import LinkError

__all__ = ["UNKNOWN", "hostname", "is_loopback", "parsed", "seen_from_outside"]

_OUT = {4: (socket.AF_INET, "192.0.2.1"), 6: (socket.AF_INET6, "2001:db8::1")}  # of nobody: RFC 5737, 3849
UNKNOWN = "ADDRESS"
"""Stands for an address that is not known."""


def parsed(address: str) -> tuple[str, int]:
    """Take an address apart.

    Parameters
    ----------
    address : str
        ``HOST:PORT``.

    Returns
    -------
    str, int
        Host and port.

    Raises
    ------
    LinkError
        When it is none.
    """
    try:
        parts = urlsplit(f"//{address}")
        if parts.hostname and parts.port is not None:
            return parts.hostname, parts.port
    except ValueError:
        pass
    raise LinkError("not an address", seen=address, expected="HOST:PORT", do="give --page-address HOST:PORT")


def seen_from_outside(host: str) -> str:
    """Tell a host as another device has to write it.

    Parameters
    ----------
    host : str
        Name or number that is listened on.

    Returns
    -------
    str
        The same; in place of all addresses the one this computer goes out with, or ``UNKNOWN``.
    """
    try:
        address = ip_address(host)
    except ValueError:
        return host
    if not address.is_unspecified:
        return host
    family, beyond = _OUT[address.version]
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as way:
            way.connect((beyond, 9))  # looks up the way there; nothing is sent
            own = str(way.getsockname()[0])
    except OSError:
        return UNKNOWN
    return UNKNOWN if is_loopback(own) else own


def hostname(host: str) -> str | None:
    """Take the port off a ``Host`` header.

    Parameters
    ----------
    host : str
        As it came.

    Returns
    -------
    str or None
        None where there is no host in it.
    """
    try:
        return urlsplit(f"//{host}").hostname
    except ValueError:
        return None


def is_loopback(host: str | None) -> bool:
    """Tell whether a host is this computer, for itself only.

    Parameters
    ----------
    host : str or None
        Name or number.

    Returns
    -------
    bool
        False for None and for any name but ``localhost``.
    """
    if host == "localhost":
        return True
    try:
        return ip_address(host or "").is_loopback
    except ValueError:
        return False
