"""Where are the pages reached, under which names, and must one sign in?"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterable
from dataclasses import dataclass
from urllib.parse import urlsplit

from dashboard.users import Users

HOST = "127.0.0.1"


class ServingError(Exception):
    """The pages cannot be served like that; the message says what to do."""


@dataclass(frozen=True)
class Serving:
    """Where the pages are reached, and whether a sign-in is asked.

    Attributes
    ----------
    host : str
        The address that is listened at.
    names : tuple of str
        Further names of this machine under which the pages are opened.
    behind : str
        The https address of the proxy on this machine that stands in front; empty without one.
    users : Users or None
        Who may sign in; None where nobody need.

    Raises
    ------
    ServingError
        When that will not do.
    """

    host: str = HOST
    names: tuple[str, ...] = ()
    behind: str = ""
    users: Users | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be, or would let strangers in."""
        address = self.address
        for name in self.names:
            if not _is_host(name):
                raise ServingError(
                    f"--name {name} is no name of a machine; write it as in tower-office.example, "
                    "without http:// and port"
                )
        if self.behind:
            if _proxy(self.behind) is None:
                raise ServingError(
                    f"--behind {self.behind} is no address of a proxy; write it as in "
                    "https://tower-office.example, without a path"
                )
            if self.host != HOST:
                raise ServingError(
                    "--behind is for a proxy on this machine, which asks at 127.0.0.1; "
                    "leave --host out"
                )
            if self.names:
                raise ServingError(
                    "--behind says under which name the pages are opened; leave --name out"
                )
        elif address.is_unspecified and not self.names:
            raise ServingError(
                f"{self.host} stands for every address of this machine; name the one under which "
                "the pages are opened: --name NAME"
            )
        if self.users is None and (self.behind or self.names or not address.is_loopback):
            raise ServingError("beyond this machine the pages are served only to users who sign in")

    @property
    def address(self) -> ipaddress.IPv4Address | ipaddress.IPv6Address:
        """The host as an address.

        Raises
        ------
        ServingError
            When it is none.
        """
        try:
            return ipaddress.ip_address(self.host)
        except ValueError:
            raise ServingError(
                f"--host {self.host} is no address of this machine; write it as in 192.168.1.20"
            ) from None

    def hosts(self, port: int) -> frozenset[str]:
        """Return the hosts that a request may name."""
        if self.behind:
            name, its_port = _proxy(self.behind) or ("", 0)
            return _with_port([name], its_port, usual=443)
        own = [*self.names]
        if self.address.is_loopback or self.address.is_unspecified:
            own += [HOST, "localhost", "::1"]
        if not self.address.is_unspecified:
            own.append(self.host)
        return _with_port(own, port, usual=80)

    def scheme(self) -> str:
        """Return how browsers reach the pages: http, or https through a proxy."""
        return "https" if self.behind else "http"

    def url(self, port: int) -> str:
        """Return the address to open."""
        if self.behind:
            return self.behind.rstrip("/") + "/"
        name = self.names[0] if self.address.is_unspecified else self.host
        return f"http://{_in_brackets(name)}:{port}/"

    def cookie(self, port: int) -> str:
        """Return the name of the session's cookie.

        Browsers hold those of all ports of a machine together; and one whose name begins so is
        taken from https alone, and from no other name of the domain.
        """
        return "__Host-feedtally" if self.behind else f"feedtally-{port}"


def _proxy(url: str) -> tuple[str, int] | None:
    """Return host and port of an https address without a path; None when it is none."""
    try:
        given = urlsplit(url)
        name, port = given.hostname or "", given.port or 443
    except ValueError:
        return None
    alone = given.path in ("", "/") and not given.query and not given.fragment
    if given.scheme != "https" or not alone or "@" in url or not _is_host(name):
        return None
    return name, port


def _is_host(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return bool(re.fullmatch(r"(?!-)[A-Za-z0-9-]{1,63}(\.[A-Za-z0-9-]{1,63})*", name))
    return True


def _in_brackets(name: str) -> str:
    return f"[{name}]" if ":" in name else name


def _with_port(names: Iterable[str], port: int, *, usual: int) -> frozenset[str]:
    plain = {_in_brackets(name.lower()) for name in names}
    hosts = {f"{name}:{port}" for name in plain}
    # Browsers leave out the port that is usual.
    return frozenset(hosts | plain if port == usual else hosts)


#: To this machine alone, and to whoever sits at it.
THIS_MACHINE = Serving()
