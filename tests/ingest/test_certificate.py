"""When a certificate ends, beside what the cryptography library says of the same file."""

from __future__ import annotations

import ssl
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
import trustme
from cryptography import x509
from hypothesis import given
from hypothesis import strategies as st

from ingest.certificate import BadCertificate, ends_ms


@pytest.mark.parametrize(
    "ends",
    [
        datetime(2026, 11, 30, 12, 0, 1, tzinfo=UTC),
        datetime(2049, 12, 31, 23, 59, 59, tzinfo=UTC),
        # From 2050 on the time is in the other form (RFC 5280 section 4.1.2.5).
        datetime(2050, 1, 1, tzinfo=UTC),
        datetime(2999, 6, 1, 6, 30, tzinfo=UTC),
    ],
)
@pytest.mark.parametrize("key", [trustme.KeyType.RSA, trustme.KeyType.ECDSA])
def test_it_says_what_a_reference_library_says(
    tmp_path: Path, ends: datetime, key: trustme.KeyType
) -> None:
    authority = trustme.CA(key_type=key)
    made = authority.issue_cert("heatbook.example", not_after=ends, key_type=key)
    file = tmp_path / "heatbook.pem"
    made.cert_chain_pems[0].write_to_path(file)
    reference = x509.load_pem_x509_certificate(file.read_bytes()).not_valid_after_utc
    assert datetime.fromtimestamp(ends_ms(file) / 1000, UTC) == reference == ends


def test_of_a_chain_the_first_counts(tmp_path: Path) -> None:
    authority = trustme.CA()
    ends = datetime(2030, 1, 1, tzinfo=UTC)
    made = authority.issue_cert("heatbook.example", not_after=ends)
    file = tmp_path / "chain.pem"
    made.private_key_and_cert_chain_pem.write_to_path(file)
    authority.cert_pem.write_to_path(file, append=True)
    assert ends_ms(file) == round(ends.timestamp() * 1000)


def test_what_is_no_certificate_is_said_to_be_none(tmp_path: Path) -> None:
    file = tmp_path / "key.pem"
    file.write_text("a key, perhaps\n")
    with pytest.raises(BadCertificate, match="no certificate in"):
        ends_ms(file)


@given(st.data())
def test_a_damaged_one_is_refused_or_read_and_never_crashes(data: st.DataObject) -> None:
    der = bytearray(ssl.PEM_cert_to_DER_cert(WHOLE))
    for _ in range(data.draw(st.integers(1, 4))):
        der[data.draw(st.integers(0, len(der) - 1))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(0, len(der)))
    with TemporaryDirectory() as folder:
        file = Path(folder) / "damaged.pem"
        file.write_text(ssl.DER_cert_to_PEM_cert(bytes(der[:cut])))
        try:
            assert isinstance(ends_ms(file), int)
        except BadCertificate:
            return


WHOLE = trustme.CA().issue_cert("heatbook.example").cert_chain_pems[0].bytes().decode()
