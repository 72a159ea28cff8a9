"""From where the pages can be reached, and what that asks for: names the server answers to, logins, what is told at the start."""

from __future__ import annotations

import ipaddress
import re
import socket
from collections.abc import Sequence
from dataclasses import dataclass

from cycler.errors import InputError, quote

LOCAL_ADDRESS = "127.0.0.1"
LOCAL_NAMES = ("127.0.0.1", "localhost")
_NAME = re.compile(r"(?!-)[a-z0-9-]{1,63}(?<!-)(\.(?!-)[a-z0-9-]{1,63}(?<!-))*")


@dataclass(frozen=True, slots=True)
class Reach:
    """Where the pages are served.

    ``address`` is what the socket is bound to; ``hosts`` the names and addresses that browsers may ask for, IPv6 ones in brackets, the
    first one being told; ``logins`` whether users have to sign in; ``only_here`` whether no other computer can reach the address.
    """

    address: str
    hosts: tuple[str, ...]
    logins: bool
    only_here: bool
    behind_tls: bool = False

    @property
    def family(self) -> socket.AddressFamily:
        """Of the socket."""
        return socket.AF_INET6 if ":" in self.address else socket.AF_INET

    def url(self, port: int) -> str:
        """Address of the pages as a browser takes it."""
        return f"https://{self.hosts[0]}/" if self.behind_tls else f"http://{self.hosts[0]}:{port}/"


LOCAL = Reach(LOCAL_ADDRESS, LOCAL_NAMES, logins=False, only_here=True)
"""This computer alone."""


def reach_of(host: str = LOCAL_ADDRESS, names: Sequence[str] = (), behind_tls: bool = False, login: bool = False) -> Reach:
    """What the options of ``cycler serve`` come to.

    Parameters
    ----------
    host : str
        Address to serve at, or "localhost".
    names : sequence of str
        Further names and addresses that browsers ask for.
    behind_tls : bool
        A proxy on this computer speaks TLS with the browsers.
    login : bool
        Demand logins on this computer, too.

    Raises
    ------
    InputError
        ``host`` is no address, or names are missing or none.
    """
    plain = host.strip().removeprefix("[").removesuffix("]")
    try:
        address = ipaddress.ip_address(LOCAL_ADDRESS if plain.lower() == "localhost" else plain)
    except ValueError:
        raise InputError(
            "the address cannot be used", "--host", f"{quote(host)} is no address of this computer", "give an address such as 192.0.2.7, and names with --name",
        ) from None
    given = tuple(_host_name(name) for name in names)
    if behind_tls and not address.is_loopback:
        raise InputError(
            "--behind-tls goes with a proxy on this computer", "--host", f"at {address} others would reach the pages beside the proxy, without TLS", "leave --host out",
        )
    if (behind_tls or address.is_unspecified) and not given:
        why = "the proxy hands on the name that browsers ask for" if behind_tls else f"{address} stands for every address of this computer"
        raise InputError("by what name browsers ask for the pages is not stated", "--name", why, "give it: --name bench.example, or --name 192.0.2.7; more than once if need be")
    own = () if address.is_unspecified else (_bracketed(address),)
    local = LOCAL_NAMES if address.is_loopback or address.is_unspecified else ()
    # The first is what is told: a loopback address says nothing to those who are let in by another name.
    hosts = dict.fromkeys((*given, *own, *local) if address.is_loopback or address.is_unspecified else (*own, *given, *local))
    reached = behind_tls or not address.is_loopback or bool(given)
    return Reach(str(address), tuple(hosts), logins=reached or login, only_here=not reached, behind_tls=behind_tls)


def _host_name(name: str) -> str:
    plain = name.strip().lower()
    try:
        return _bracketed(ipaddress.ip_address(plain.removeprefix("[").removesuffix("]")))
    except ValueError:
        pass
    try:
        plain = plain.encode("idna").decode("ascii")
    except UnicodeError:
        plain = ""
    if len(plain) > 253 or not _NAME.fullmatch(plain):
        raise InputError("the name cannot be used", "--name", f"{quote(name)} is no name or address of a computer", "give it as browsers ask for it, without http:// and without a port")
    return plain


def _bracketed(address: ipaddress.IPv4Address | ipaddress.IPv6Address) -> str:
    return f"[{address}]" if address.version == 6 else str(address)


def remarks(reach: Reach, users: int) -> list[str]:
    """What is told at the start: who can reach the pages, and what that means."""
    if reach.only_here and not reach.logins:
        return ["Reachable from this computer only. Stop with Ctrl+C."]
    who = f"Everybody signs in; {users} {'user' if users == 1 else 'users'} may (see them with: cycler users). Stop with Ctrl+C."
    if reach.only_here:
        return ["Reachable from this computer only.", who]
    records = "The records name packs and perhaps customers: local rules on such data hold, as on who may see them."
    if reach.behind_tls:
        return [
            f"For a proxy on this computer that speaks TLS as {reach.hosts[0]} and hands on the Host header; whoever reaches the proxy reaches the pages.",
            who, records,
        ]
    if ipaddress.ip_address(reach.address).is_loopback:
        return [
            f"Listening at {reach.address}: other computers come through an SSH tunnel or a proxy only, and may ask for {reach.hosts[0]}. "
            "To let them in directly, give an address of this computer: --host ADDRESS.",
            who,
            "No TLS in the program: whatever carries the pages beyond this computer has to encrypt them.",
            records,
        ]
    return [
        f"Reachable from every computer that can reach {reach.hosts[0]}.",
        who,
        "No TLS: passwords and records travel readable in the network. Use it only in one that you trust, or put a reverse proxy with TLS before it "
        "(--behind-tls), or leave --host out and come through an SSH tunnel.",
        records,
    ]
