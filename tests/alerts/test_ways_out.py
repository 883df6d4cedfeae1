"""No way out leads inside, however the address is written.

Beside it: the OWASP SSRF Prevention Cheat Sheet, case 2 (from memory): look the name up once, check every
address, call the checked one, follow nowhere; and the two IANA special-purpose address registries (RFC 6890
and its updates, as of 2024; from memory).
"""

from __future__ import annotations

import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from ipaddress import IPv4Address, IPv4Network, IPv6Address, ip_address, ip_network

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.channels.addresses import acceptable, resolve
from alerts.channels.relay import RelayChannel, RelaySettings
from alerts.channels.smtp import SmtpChannel, SmtpSettings
from alerts.channels.way_out import NotThere, held
from alerts.channels.webhook import WebhookChannel, WebhookSettings
from alerts.notice import Undelivered
from tests.alerts.far_side import WebSide, reply, web_side
from tests.alerts.store import Time, notice
from tests.alerts.test_webhook import SECRETS

NOT_GLOBAL_4 = [
    *("0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "169.254.0.0/16"),
    *("172.16.0.0/12", "192.0.0.0/24", "192.0.2.0/24", "192.88.99.0/24", "192.168.0.0/16"),
    *("198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24", "240.0.0.0/4"),
    *("255.255.255.255/32", "224.0.0.0/4"),
]
"""Not globally reachable by the registry, or withdrawn (192.88.99.0/24); and multicast (RFC 5771)."""

NOT_GLOBAL_6 = [
    *("::1/128", "::/128", "64:ff9b:1::/48", "100::/64", "100:0:0:1::/64"),
    *("2001:2::/48", "2001:10::/28", "2001:db8::/32", "3fff::/20", "5f00::/16"),
    *("fc00::/7", "fe80::/10", "fec0::/10", "ff00::/8", "2001::/32"),
]
"""The same of IPv6, with site-local (RFC 3879), multicast (RFC 4291) and Teredo (RFC 4380)."""

EMBEDDINGS = {
    "mapped (RFC 4291)": (0xFFFF << 32, 0),
    "compatible (RFC 4291)": (0, 0),
    "translated (RFC 2765)": (0xFFFF << 48, 0),
    "NAT64 (RFC 6052)": (0x0064FF9B << 96, 0),
    "NAT64 of one's own (RFC 8215)": (0x0064FF9B0001 << 80, 0),
    "6to4 (RFC 3056)": (0x2002 << 112, 80),
    "ISATAP (RFC 5214)": ((0x26064700 << 96) | (0x5EFE << 32), 0),
}
"""Where an IPv4 address stands in one of IPv6: the bits around it, and how many follow it."""

parts = st.integers(0, 0xFFFFFFFF)
inside_4 = st.sampled_from(list(map(IPv4Network, NOT_GLOBAL_4))).flatmap(
    lambda net: st.integers(int(net[0]), int(net[-1])).map(IPv4Address)
)


@pytest.mark.parametrize("block", [*NOT_GLOBAL_4, *NOT_GLOBAL_6])
def test_no_block_of_the_registries_is_called(block: str) -> None:
    net = ip_network(block)
    for address in (net[0], net[net.num_addresses // 2], net[-1]):
        assert not acceptable(str(address), allow_private=False), address


@given(parts)
def test_of_ipv4_only_what_the_library_and_the_registry_call_global(bits: int) -> None:
    address = IPv4Address(bits)
    inside = any(address in ip_network(block) for block in NOT_GLOBAL_4)
    metadata = (
        str(address) == "168.63.129.16"
    )  # a public address that one cloud keeps for itself
    assert acceptable(str(address), allow_private=False) == (not inside and not metadata)
    if acceptable(str(address), allow_private=False):
        assert address.is_global


@given(st.integers(0, 2**128 - 1) | st.integers(0x2000 << 112, (0x4000 << 112) - 1))
def test_of_ipv6_nothing_that_the_library_or_the_registry_calls_inside(bits: int) -> None:
    address = IPv6Address(bits)
    if acceptable(str(address), allow_private=False):
        assert address.is_global
        assert not any(address in ip_network(block) for block in NOT_GLOBAL_6)


def as_written(bits: int, dots: int, bases: list[str]) -> str:
    """Write an address in one of the ways that inet_aton(3) reads."""
    shift = [24, 16, 8][:dots]
    numbers = [bits >> each & 0xFF for each in shift]
    numbers.append(bits & (1 << (32 - 8 * dots)) - 1)
    form = {"ten": "{}", "eight": "0{:o}", "sixteen": "0x{:x}", "SIXTEEN": "0X{:X}"}
    return ".".join(form[base].format(each) for base, each in zip(bases, numbers, strict=False))


@given(
    bits=parts | inside_4.map(int),
    dots=st.integers(0, 3),
    bases=st.lists(
        st.sampled_from(["ten", "eight", "sixteen", "SIXTEEN"]), min_size=4, max_size=4
    ),
)
def test_an_address_is_judged_alike_however_it_is_written(
    bits: int, dots: int, bases: list[str]
) -> None:
    """The system's own resolver reads it, which the connection would ask too."""
    plain = str(IPv4Address(bits))
    found = resolve(as_written(bits, dots, bases), 80)
    assert found == [plain]
    assert acceptable(found[0], allow_private=False) == acceptable(plain, allow_private=False)


@pytest.mark.parametrize("how", EMBEDDINGS)
@given(address=inside_4)
def test_an_address_inside_is_seen_inside_another(how: str, address: IPv4Address) -> None:
    around, after = EMBEDDINGS[how]
    hidden = IPv6Address(around | int(address) << after)
    assert not acceptable(str(hidden), allow_private=False), hidden
    assert not acceptable(f"{hidden}%eth0", allow_private=False)


@pytest.mark.parametrize("how", [*EMBEDDINGS, "NAT64 with 48 bits"])
def test_nothing_opens_the_way_to_a_clouds_credentials(how: str) -> None:
    place = int(ip_address("169.254.169.254"))
    if how in EMBEDDINGS:
        around, after = EMBEDDINGS[how]
        hidden = IPv6Address(around | place << after)
    else:  # RFC 6052 section 2.2: around the octet of bits 64 to 71
        hidden = IPv6Address(0x0064FF9B0001 << 80 | place >> 16 << 64 | (place & 0xFFFF) << 40)
    assert not acceptable(str(hidden), allow_private=True)


@pytest.fixture
def line() -> Iterator[socket.socket]:
    """A port of this machine that notes who comes."""
    with closing(socket.create_server(("127.0.0.1", 0))) as listening:
        listening.setblocking(False)
        yield listening


def nobody_came(line: socket.socket) -> bool:
    try:
        line.accept()
    except BlockingIOError:
        return True
    return False


INSIDE = ["127.0.0.1", "localhost", "2130706433", "0x7f.1", "0177.0.0.1", "127.1", "0"]


@pytest.mark.parametrize("host", [*INSIDE, "[::ffff:127.0.0.1]"])
def test_a_webhook_does_not_come_to_this_machine(line: socket.socket, host: str) -> None:
    port = line.getsockname()[1]
    settings = WebhookSettings(url=f"https://{host}:{port}/in", secrets=SECRETS)
    with pytest.raises(Undelivered, match="not a public one"):
        WebhookChannel(settings, now_ms=Time()).deliver(notice())
    assert nobody_came(line)


@pytest.mark.parametrize(
    "host", ["127.0.0.1", "localhost", "2130706433", "user:word@127.0.0.1"]
)
@pytest.mark.parametrize("scheme", ["json", "form", "xml", "ntfy", "mailto", "gotify", "mqtt"])
def test_a_relay_does_not_come_to_this_machine_unless_it_may(
    line: socket.socket, scheme: str, host: str
) -> None:
    rest = "?to=a@northfold.example&from=b@northfold.example" if scheme == "mailto" else ""
    url = f"{scheme}://{host}:{line.getsockname()[1]}/topic{rest}"
    with pytest.raises(Undelivered, match="allow_private = true") as caught:
        RelayChannel(RelaySettings(url=url)).deliver(notice())
    assert caught.value.retry
    assert nobody_came(line)


def test_a_datagram_does_not_come_to_this_machine_either() -> None:
    with (
        closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as heard,
        closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as sends,
    ):
        heard.bind(("127.0.0.1", 0))
        heard.setblocking(False)
        with held(allow_private=False) as hold, pytest.raises(NotThere):
            sends.sendto(b"a notice", heard.getsockname())
        assert hold.refused
        with held(allow_private=False), pytest.raises(NotThere):
            sends.sendmsg([b"a notice"], [], 0, heard.getsockname())
        with pytest.raises(BlockingIOError):
            heard.recv(10)
        with held(allow_private=True) as hold:
            sends.sendto(b"a notice", heard.getsockname())
        assert heard.recv(10) == b"a notice"
        assert not hold.refused


@pytest.fixture
def side() -> Iterator[WebSide]:
    with web_side() as running:
        yield running


def test_a_relay_that_follows_is_not_led_to_a_clouds_credentials(side: WebSide) -> None:
    """The library follows where its address says so, whatever we ask for in general."""
    place = "http://169.254.169.254/latest/meta-data/"
    side.answer = lambda handler: reply(handler, 307, Location=place)
    url = f"json://127.0.0.1:{side.port}/?redirect=yes"
    with pytest.raises(Undelivered, match="not a public one"):
        RelayChannel(RelaySettings(url=url, allow_private=True)).deliver(notice())
    assert len(side.posted) == 1


def test_a_name_is_judged_by_what_is_called_and_not_by_what_it_was(
    side: WebSide, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rebinding: the name is a public address when it is asked first, and this machine after that."""
    answers = iter(["1.1.1.1"])
    asked = socket.getaddrinfo

    def look_up(host: str, port: int, *rest: object, **more: object) -> object:
        # Stands in for a name server that its owner turns.
        return asked(next(answers, "127.0.0.1"), port, *rest, **more)  # type: ignore[arg-type] # as given

    monkeypatch.setattr(socket, "getaddrinfo", look_up)
    assert resolve("turned.northfold.example", 80) == ["1.1.1.1"]
    relay = RelaySettings(url=f"json://turned.northfold.example:{side.port}/")
    with pytest.raises(Undelivered, match="not a public one"):
        RelayChannel(relay).deliver(notice())
    assert side.posted == []


def test_a_mail_server_is_no_clouds_credentials() -> None:
    settings = SmtpSettings(
        host="169.254.169.254", sender="a@northfold.example", recipients=("b@c.example",)
    )
    with pytest.raises(Undelivered, match="nothing is sent to"):
        SmtpChannel(settings).deliver(notice())


def test_what_is_held_runs_no_program_and_speaks_to_no_service_of_this_machine() -> None:
    with held(allow_private=False) as hold:
        with pytest.raises(NotThere):
            subprocess.run([sys.executable, "-c", ""], check=True)
        assert hold.refused
        with (
            pytest.raises(NotThere),
            closing(socket.socket(socket.AF_UNIX)) as unix,
        ):
            unix.connect("/run/systemd/private")
        with pytest.raises(NotThere), closing(socket.socket()) as by_name:
            by_name.connect(("localhost", 9))  # a name, which would be looked up after us
    subprocess.run([sys.executable, "-c", ""], check=True)


@pytest.mark.parametrize(
    "url",
    [
        "https://hooks.northfold.example/a b",
        "https://hooks.northfold.example/\x01SECRET",
        "https://hooks.northfold.example/schlüssel",
        "https://" + "a" * 64 + ".example/SECRET",
        "https://[::SECRET]/",
        "https://hooks.northfold.example:SECRET/",
        "https://hooks.northfold.example:25/SECRET",
        "https://hooks.northfold.example:6667/",
        "https://SECRET:x@hooks.northfold.example/",
    ],
)
def test_an_address_that_cannot_be_called_is_said_at_once_and_not_repeated(url: str) -> None:
    with pytest.raises(ValueError, match=r"^url: ") as caught:
        WebhookSettings(url=url, secrets=SECRETS, allow_private=True)
    assert "SECRET" not in str(caught.value)
    assert caught.value.__cause__ is None
