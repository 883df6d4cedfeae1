"""When a certificate ends: the one thing of it that an alarm needs.

The library of the language reads this of a peer's certificate only, not of a file's. So the few fields up to
it are stepped over by the encoding's own lengths (X.690 DER; RFC 5280 section 4.1).
"""

from __future__ import annotations

import re
import ssl
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

_PEM = re.compile(rb"-----BEGIN CERTIFICATE-----.+?-----END CERTIFICATE-----", re.DOTALL)
_UTC_TIME = 0x17
_VERSION = 0xA0


class BadCertificate(ValueError):
    """What should be a certificate is none."""


def ends_ms(file: Path) -> int:
    """Give when the first certificate of a PEM file ends [Unix ms].

    Raises
    ------
    BadCertificate
        There is none in it that can be read.
    OSError
        The file cannot be read.
    """
    found = _PEM.search(file.read_bytes())
    if found is None:
        raise BadCertificate(f"there is no certificate in {file}")
    try:
        return _ends_ms(ssl.PEM_cert_to_DER_cert(found[0].decode()))
    except (ValueError, IndexError, StopIteration) as error:
        raise BadCertificate(f"the certificate in {file} cannot be read") from error


def _ends_ms(der: bytes) -> int:
    certificate = _inside(der)
    fields = _elements(_inside(certificate))
    tag, _ = next(fields)
    if tag == _VERSION:
        next(fields)  # then this is the serial number
    next(fields)  # the signature's algorithm
    next(fields)  # the issuer
    _, validity = next(fields)
    _, (tag, end) = _elements(validity)
    return round(_moment(tag, end.decode("ascii")).timestamp() * 1000)


def _moment(tag: int, text: str) -> datetime:
    # RFC 5280 section 4.1.2.5.1: two digits of 50 and more are of the last century.
    if tag == _UTC_TIME:
        text = f"{'19' if text[:2] >= '50' else '20'}{text}"
    return datetime.strptime(text, "%Y%m%d%H%M%SZ").replace(tzinfo=UTC)


def _inside(der: bytes) -> bytes:
    return next(_elements(der))[1]


def _elements(der: bytes) -> Iterator[tuple[int, bytes]]:
    """Give the elements that stand one after the other, each with its tag."""
    at = 0
    while at < len(der):
        tag, length, at = der[at], der[at + 1], at + 2
        if length & 0x80:
            more = length & 0x7F
            length = int.from_bytes(der[at : at + more], "big")
            at += more
        if at + length > len(der):
            raise ValueError("cut short")
        yield tag, der[at : at + length]
        at += length
