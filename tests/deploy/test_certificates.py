"""The script that makes certificates: what it makes, by RFC 5280 and openssl, and what it refuses."""

from __future__ import annotations

import shutil
import stat
import subprocess
from datetime import timedelta
from ipaddress import ip_address
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from tests.deploy.authority import NOW, Authority, make_authority

OPENSSL = shutil.which("openssl") or "openssl"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    """An authority, a broker, a daemon, three trucks; one of them was taken back."""
    authority = make_authority(tmp_path_factory.mktemp("made") / "authority")
    authority.do("truck", "NF-01", "NF-02", ".._-9")
    authority.do("revoke", "NF-02")
    return authority


def read(path: Path) -> x509.Certificate:
    return x509.load_pem_x509_certificate(path.read_bytes())


def verify(authority: Authority, cert: Path, purpose: str) -> subprocess.CompletedProcess[str]:
    command = [OPENSSL, "verify", "-x509_strict", "-purpose", purpose, "-crl_check"]
    files = ["-CAfile", str(authority.ca), "-CRLfile", str(authority.crl), str(cert)]
    return subprocess.run(  # noqa: S603 - openssl
        [*command, *files], capture_output=True, text=True, check=False
    )


def test_openssl_takes_each_for_its_purpose_and_no_other(made: Authority) -> None:
    for who, good, bad in (
        ("broker", "sslserver", "sslclient"),
        ("daemon", "sslclient", "sslserver"),
        ("NF-01", "sslclient", "sslserver"),
        (".._-9", "sslclient", "sslserver"),
    ):
        cert = made.papers(who).cert
        assert verify(made, cert, good).returncode == 0, verify(made, cert, good).stderr
        assert "unsuitable certificate purpose" in verify(made, cert, bad).stderr


def test_openssl_refuses_what_was_taken_back(made: Authority) -> None:
    (cert,) = made.folder.glob("old/NF-02-*.crt")
    assert "certificate revoked" in verify(made, cert, "sslclient").stderr
    listed = x509.load_pem_x509_crl(made.crl.read_bytes())
    assert [each.serial_number for each in listed] == [read(cert).serial_number]
    # RFC 5280 section 5.2: a conforming list carries these two. And one that has run out shuts all out.
    listed.extensions.get_extension_for_class(x509.AuthorityKeyIdentifier)
    listed.extensions.get_extension_for_class(x509.CRLNumber)
    assert listed.next_update_utc is not None
    assert listed.next_update_utc >= read(made.ca).not_valid_after_utc


def test_the_authority_signs_certificates_and_lists_and_nothing_below_it_does(
    made: Authority,
) -> None:
    authority = read(made.ca)
    # RFC 5280 sections 4.2.1.9 and 4.2.1.3.
    basic = authority.extensions.get_extension_for_class(x509.BasicConstraints)
    assert basic.critical
    assert (basic.value.ca, basic.value.path_length) == (True, 0)
    usage = authority.extensions.get_extension_for_class(x509.KeyUsage)
    assert usage.critical
    assert usage.value.key_cert_sign
    assert usage.value.crl_sign
    assert not usage.value.digital_signature
    for who in ("broker", "daemon", "NF-01"):
        basic = read(made.papers(who).cert).extensions.get_extension_for_class(
            x509.BasicConstraints
        )
        assert basic.critical
        assert not basic.value.ca


def test_each_certificate_says_who_it_is_and_what_it_is_for(made: Authority) -> None:
    identifier = read(made.ca).extensions.get_extension_for_class(x509.SubjectKeyIdentifier)
    for who, name, purpose in (
        ("broker", "heatbook broker", ExtendedKeyUsageOID.SERVER_AUTH),
        ("daemon", "heatbook", ExtendedKeyUsageOID.CLIENT_AUTH),
        ("NF-01", "NF-01", ExtendedKeyUsageOID.CLIENT_AUTH),
        (".._-9", ".._-9", ExtendedKeyUsageOID.CLIENT_AUTH),
    ):
        cert = read(made.papers(who).cert)
        found = cert.extensions
        assert [each.value for each in cert.subject] == [name]
        assert cert.subject.get_attributes_for_oid(NameOID.COMMON_NAME)
        assert list(found.get_extension_for_class(x509.ExtendedKeyUsage).value) == [purpose]
        usage = found.get_extension_for_class(x509.KeyUsage)
        assert usage.critical
        assert usage.value.digital_signature
        assert not usage.value.key_cert_sign
        issuer = found.get_extension_for_class(x509.AuthorityKeyIdentifier).value
        assert issuer.key_identifier == identifier.value.digest
        key = cert.public_key()
        assert isinstance(key, ec.EllipticCurvePublicKey)
        assert isinstance(key.curve, ec.SECP256R1)
        assert isinstance(cert.signature_hash_algorithm, hashes.SHA256)
        # RFC 5280 section 4.1.2.2: positive, at most 20 octets; here not to be guessed.
        assert 2**63 < cert.serial_number < 2**159


def test_the_broker_is_known_by_every_name_and_address_given(tmp_path: Path) -> None:
    authority = Authority(tmp_path / "authority")
    authority.do("new-authority")
    authority.do("broker", "broker.northfold.example", "192.0.2.7", "2001:db8::7")
    for _ in range(2):
        names = read(authority.papers("broker").cert).extensions.get_extension_for_class(
            x509.SubjectAlternativeName
        )
        assert names.value.get_values_for_type(x509.DNSName) == ["broker.northfold.example"]
        assert names.value.get_values_for_type(x509.IPAddress) == [
            ip_address("192.0.2.7"),
            ip_address("2001:db8::7"),
        ]
        authority.do("renew", "broker")


def test_how_long_they_are_good(tmp_path: Path, made: Authority) -> None:
    for who, days in (("broker", 730), ("daemon", 730), ("NF-01", 1825)):
        cert = read(made.papers(who).cert)
        assert cert.not_valid_after_utc - cert.not_valid_before_utc == timedelta(days=days)
    assert read(made.ca).not_valid_after_utc > NOW + timedelta(days=7299)
    authority = make_authority(tmp_path / "authority")
    authority.do("-n", "7", "truck", "NF-01")
    assert "NF-01" in authority.do("list")
    assert [line for line in authority.do("list").splitlines() if "RUNS OUT" in line] == [
        line for line in authority.do("list").splitlines() if line.startswith("NF-01 ")
    ]


def test_nobody_else_can_read_a_key(made: Authority) -> None:
    keys = [made.folder / "ca.key", *made.folder.rglob("*.key")]
    assert len(keys) >= 6
    for key in keys:
        assert stat.S_IMODE(key.stat().st_mode) == 0o600, key
    for folder in (made.folder, made.folder / "trucks", made.folder / "old"):
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert not (made.folder / ".busy").exists()


REFUSED = [
    "",
    ".",
    "..",
    "+",
    "#",
    "NF-01/status",
    "NF 01",
    "NF-01\n",
    "ä",
    "$SYS",
    "a" * 65,
    "heatbook",
    "heatbook-check",
    "broker",
    "daemon",
    "x,CN=heatbook",
    "x=y",
]


@pytest.mark.parametrize("name", REFUSED)
def test_a_name_that_could_speak_for_another_is_refused_and_nothing_is_made(
    made: Authority, name: str
) -> None:
    before = everything(made)
    refused = made.run("truck", "NF-77", name)
    assert refused.returncode == 1
    assert "truck" in refused.stderr
    assert everything(made) == before


@pytest.mark.parametrize("host", ["", "*", "a b", "x,DNS:y", "broker/x"])
def test_what_is_no_host_is_refused(tmp_path: Path, host: str) -> None:
    authority = Authority(tmp_path / "authority")
    authority.do("new-authority")
    refused = authority.run("broker", host)
    assert refused.returncode == 1
    assert "no host name" in refused.stderr
    assert not authority.papers("broker").cert.exists()


def test_nothing_is_overwritten(made: Authority) -> None:
    before = everything(made)
    for words in (
        ("new-authority",),
        ("broker", "localhost"),
        ("daemon",),
        ("truck", "NF-01"),
    ):
        refused = made.run(*words)
        assert refused.returncode == 1
        assert "is there already" in refused.stderr
        assert everything(made) == before


def test_taking_back_takes_back_what_a_renewal_left_good(made: Authority) -> None:
    made.do("truck", "NF-03", "NF-03-b")
    made.do("renew", "NF-03")
    assert "taken back: 2" in made.do("revoke", "NF-03")
    for cert in made.folder.glob("old/NF-03-*.crt"):
        assert "certificate revoked" in verify(made, cert, "sslclient").stderr
    other = verify(made, made.papers("NF-03-b").cert, "sslclient")
    assert other.returncode == 0, other.stderr
    again = made.run("revoke", "NF-03")
    assert again.returncode == 1
    assert "no certificate that could be taken back" in again.stderr
    made.do("truck", "NF-03")  # a new gateway for the same truck
    assert verify(made, made.papers("NF-03").cert, "sslclient").returncode == 0


def test_mistakes_are_told(tmp_path: Path, made: Authority) -> None:
    for words, said in (
        (("truck",), "Name the trucks"),
        (("broker",), "by which names"),
        (("revoke",), "Say whose"),
        (("revoke", "nobody"), "no certificate"),
        (("renew", "nobody"), "No certificate was issued"),
        (("-n", "soon", "truck", "x"), "number of days"),
        (("nonsense",), "no command 'nonsense'"),
    ):
        refused = made.run(*words)
        assert refused.returncode == 1, words
        assert said in refused.stderr
    nowhere = Authority(tmp_path / "nowhere").run("truck", "NF-01")
    assert "no authority in" in nowhere.stderr
    (made.folder / ".busy").mkdir()
    try:
        assert "Another certificates.sh works" in made.run("truck", "NF-09").stderr
    finally:
        (made.folder / ".busy").rmdir()


def everything(authority: Authority) -> dict[str, bytes]:
    """Give every file and what is in it."""
    files = sorted(file for file in authority.folder.rglob("*") if file.is_file())
    return {str(file): file.read_bytes() for file in files}
