"""A certificate authority made by the script that ships, for tests, and certificates that it never makes."""

from __future__ import annotations

import ssl
import subprocess
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from ingest.client import tls_context
from ingest.mqtt_settings import MqttTls

SCRIPT = Path(__file__).resolve().parents[2] / "deploy" / "certificates" / "certificates.sh"
NOW = datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class Papers:
    """A certificate with its key, as files."""

    cert: Path
    key: Path


@dataclass(frozen=True, slots=True)
class Authority:
    """The folder in which the script works."""

    folder: Path

    def run(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Run the script; it may fail."""
        command = ["sh", str(SCRIPT), "-d", str(self.folder), *words]
        return subprocess.run(  # noqa: S603 - our own script
            command, capture_output=True, text=True, check=False
        )

    def do(self, *words: str) -> str:
        """Run the script; it must not fail."""
        done = self.run(*words)
        assert done.returncode == 0, done.stderr
        return done.stdout

    @property
    def ca(self) -> Path:
        return self.folder / "ca.crt"

    @property
    def crl(self) -> Path:
        return self.folder / "crl.pem"

    def papers(self, who: str) -> Papers:
        """Say where the certificate of the broker, the daemon or a truck lies."""
        inside = {"broker": "broker", "daemon": "heatbook"}.get(who, f"trucks/{who}")
        return Papers(self.folder / f"{inside}.crt", self.folder / f"{inside}.key")

    def trust(self, papers: Papers | None = None) -> ssl.SSLContext:
        """Give what a client connects with; without papers it has no certificate of its own."""
        files = {} if papers is None else {"cert_file": papers.cert, "key_file": papers.key}
        return tls_context(MqttTls(ca_file=self.ca, **files))


def make_authority(folder: Path) -> Authority:
    """Make an authority as an administrator would, with a broker on this machine."""
    authority = Authority(folder)
    authority.do("new-authority")
    authority.do("broker", "localhost", "127.0.0.1")
    authority.do("daemon")
    return authority


def forged(
    folder: Path,
    name: str,
    *,
    by: Authority | None,
    ended: bool = False,
    server: bool = False,
) -> Papers:
    """Make a client certificate that the script refuses to make, or that nobody signed but itself.

    Parameters
    ----------
    by
        Who signs, with its own key; None: the certificate itself.
    ended
        Whether it ran out yesterday.
    server
        Whether it is good for servers alone.
    """
    folder.mkdir(parents=True, exist_ok=True)
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    usage = ExtendedKeyUsageOID.SERVER_AUTH if server else ExtendedKeyUsageOID.CLIENT_AUTH
    issuer, signer = subject, key
    if by is not None:
        issuer = x509.load_pem_x509_certificate(by.ca.read_bytes()).subject
        loaded = serialization.load_pem_private_key((by.folder / "ca.key").read_bytes(), None)
        assert isinstance(loaded, ec.EllipticCurvePrivateKey)
        signer = loaded
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(NOW - timedelta(days=30))
        .not_valid_after(NOW + timedelta(days=-1 if ended else 30))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([usage]), critical=False)
        .sign(signer, hashes.SHA256())
    )
    cert = folder / f"{made.serial_number:x}.crt"
    papers = Papers(cert, cert.with_suffix(".key"))
    papers.cert.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    papers.key.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return papers
