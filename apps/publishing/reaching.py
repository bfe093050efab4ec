"""Reaching an address that somebody typed: only where the public could reach it too, and never where it points on to.

The name is looked up once, every address behind it is judged, and the connection goes to one that was judged: a name
that changes in between leads nowhere else. Redirects are not followed, and no answer is read beyond its headers.
"""

import http.client
import ipaddress
import socket
import ssl
import threading
from dataclasses import dataclass
from urllib.parse import SplitResult, urlsplit

from django.conf import settings

IP = ipaddress.IPv4Address | ipaddress.IPv6Address
GLOBAL_UNICAST = ipaddress.ip_network("2000::/3")  # RFC 4291 §2.4, IANA's IPv6 global unicast assignments
DOCUMENTATION = ipaddress.ip_network("3fff::/20")  # RFC 9637, which older standard libraries do not know
TRANSLATED = ipaddress.ip_network("64:ff9b::/96")  # RFC 6052 §2.1: the last 32 bits are an IPv4 address
ABOUT_THE_MESSAGE = frozenset([400, 409, 413, 415, 422])
TOO_MANY, UNAVAILABLE, GONE = 429, 503, 410
LONGEST_RETRY_AFTER_S = 86_400


class Barred(Exception):
    """The address may not be reached; the text says why and what to do."""


@dataclass(frozen=True)
class Answer:
    """What came of an attempt. `status` is None where nobody answered; retry_after_s is what the answer asked for."""

    status: int | None
    words: str
    retry_after_s: float = 0

    @property
    def good(self) -> bool:
        return self.status is not None and 200 <= self.status < 300

    @property
    def about_the_message(self) -> bool:
        """Whether it is this message that the receiver does not take, and not the address that does not work."""
        return self.status in ABOUT_THE_MESSAGE

    @property
    def gone(self) -> bool:
        return self.status == GONE


def refusal_to_reach(address: str) -> str:
    """Why this address may not be set up, or nothing. Looks its name up."""
    try:
        parts = _parts(address)
        _reachable(parts)
    except Barred as refusal:
        return str(refusal)
    except OSError:
        return f"There is no host of the name «{urlsplit(address).hostname}»; look at its spelling."
    return ""


def post(address: str, headers: dict[str, str], body: bytes) -> Answer:
    """Send one POST and say what came of it. Never raises for what the other side or the network does."""
    try:
        parts = _parts(address)
        connection = _Connection(parts, _reachable(parts))
    except Barred as refusal:
        return Answer(None, str(refusal))
    except OSError as error:
        return Answer(None, f"the name could not be looked up: {error.strerror or error}")
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    late = f"no whole answer within {settings.WEBHOOK_TIMEOUT_S:g} s"
    try:
        connection.request("POST", path, body, headers)
        answer = connection.getresponse()
    except TimeoutError:
        return Answer(None, late)
    except (OSError, http.client.HTTPException) as error:
        why = getattr(error, "strerror", None) or str(error) or type(error).__name__
        return Answer(None, late if connection.overdue else f"not reached: {why}"[:300])
    finally:
        connection.close()
    if connection.overdue:  # cut off amid the headers, which then look like an answer
        return Answer(None, late)
    return Answer(answer.status, _in_words(answer), _retry_after_s(answer))


def _in_words(answer: http.client.HTTPResponse) -> str:
    words = f"{answer.status} {http.client.responses.get(answer.status, '')}".strip()
    if 300 <= answer.status < 400:
        return f"{words}: points elsewhere, which is not followed; enter the final address"
    return words


def _retry_after_s(answer: http.client.HTTPResponse) -> float:
    """Retry-After in seconds, where the answer bears one (RFC 9110 §10.2.3); its form as a date is left aside."""
    text = answer.headers.get("Retry-After", "").strip()
    if answer.status not in (TOO_MANY, UNAVAILABLE) or not text.isascii() or not text.isdigit():
        return 0
    return float(min(int(text[:9]), LONGEST_RETRY_AFTER_S))


def _parts(address: str) -> SplitResult:
    try:
        parts = urlsplit(address)
        known = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
        if parts.hostname:
            parts.hostname.encode("idna")
    except (ValueError, UnicodeError):
        known = False
    if not known or any(ord(letter) <= 32 or ord(letter) > 126 for letter in parts.path + parts.query):
        raise Barred("Enter a whole address such as https://example.org/fairband.")
    if parts.username is not None or parts.password is not None:
        raise Barred(
            "Leave name and password out of the address; the signature shows who sends. Put a key into the path if you must."
        )
    return parts


def _port(parts: SplitResult) -> int:
    return parts.port or (443 if parts.scheme == "https" else 80)


def _reachable(parts: SplitResult) -> list[str]:
    """The numeric addresses behind the name, every one of which may be reached. Raises Barred, or OSError when none is found."""
    host = (parts.hostname or "").encode("idna").decode()
    found = socket.getaddrinfo(host, _port(parts), type=socket.SOCK_STREAM)
    numbers = list(dict.fromkeys(str(row[4][0]) for row in found))
    for number in numbers:
        address = ipaddress.ip_address(number)
        if any(address in network or _inner(address) in network for network in settings.WEBHOOK_NETWORKS):
            continue
        if not is_public(address):
            raise Barred(
                f"{host} leads to {number}, which the public cannot reach. Use a public address, or ask whoever runs this "
                "service to allow that network."
            )
        if parts.scheme != "https":
            raise Barred("Use https: over http everybody on the way could read and change what is sent.")
    return numbers


def is_public(address: IP) -> bool:
    """Whether an address belongs to the public network: neither private, local, reserved, shared nor for many at once.

    By the registries of RFC 6890, as the standard library keeps them; an IPv4 address inside an IPv6 one is judged itself.
    """
    inner = _inner(address)
    if inner is not address:
        return is_public(inner)
    if isinstance(address, ipaddress.IPv6Address) and (
        address not in GLOBAL_UNICAST or address in DOCUMENTATION
    ):
        return False
    return address.is_global and not (address.is_multicast or address.is_reserved or address.is_unspecified)


def _inner(address: IP) -> IP:
    """The IPv4 address that an IPv6 one carries and leads to, or the address itself."""
    if isinstance(address, ipaddress.IPv4Address):
        return address
    if address in TRANSLATED:
        return ipaddress.IPv4Address(int(address) & 0xFFFF_FFFF)
    return address.ipv4_mapped or address.sixtofour or address


class _Connection(http.client.HTTPConnection):
    """A connection to addresses that were judged, with the name kept for the Host header and the certificate.

    Ends for good when the time for the whole attempt is up, however slowly the other side drips.
    """

    def __init__(self, parts: SplitResult, numbers: list[str]) -> None:
        self.default_port = 443 if parts.scheme == "https" else 80
        host = (parts.hostname or "").encode("idna").decode()
        super().__init__(host, _port(parts), timeout=settings.WEBHOOK_TIMEOUT_S)
        self.numbers, self.secure, self.overdue = numbers, parts.scheme == "https", False
        self.clock = threading.Timer(settings.WEBHOOK_TIMEOUT_S, self._cut)
        self.clock.daemon = True

    def connect(self) -> None:
        self.clock.start()
        refused: OSError | None = None
        for number in self.numbers:
            try:
                self.sock = socket.create_connection((number, self.port), self.timeout)
                break
            except OSError as error:
                refused = error
            if self.overdue:
                break
        if self.overdue or self.sock is None:
            raise refused or TimeoutError()
        if self.secure:
            context = ssl.create_default_context()
            secured = context.wrap_socket(self.sock, server_hostname=self.host, do_handshake_on_connect=False)
            self.sock = secured  # before the handshake, so that it can be cut off too
            secured.do_handshake()

    def close(self) -> None:
        self.clock.cancel()
        super().close()

    def _cut(self) -> None:
        self.overdue = True
        try:
            if self.sock is not None:
                socket.socket.shutdown(self.sock, socket.SHUT_RDWR)
        except OSError:
            pass  # closed already
