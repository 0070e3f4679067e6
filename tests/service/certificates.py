"""A small authority for tests: real keys and certificates, made fresh."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

PASSWORD = "only for tests"


class Authority:
    """Signs certificates; its own lies at `file`."""

    def __init__(self, folder: Path, name: str) -> None:
        self._folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = _named(name)
        basic = x509.BasicConstraints(ca=True, path_length=None)
        made = (
            _template(self._name, self._name, self._key, days=365)
            .add_extension(basic, critical=True)
            .add_extension(_usage(signs=True), critical=True)
            .add_extension(self._identifier(), critical=False)
        )
        self.file = folder / f"{name}.pem"
        self.file.write_bytes(_pem(made.sign(self._key, hashes.SHA256())))

    def sign(self, name: str, *, days: int = 365, password: str = "") -> tuple[Path, Path]:
        """Return the files of a certificate for a DNS name and of its key."""
        key = ec.generate_private_key(ec.SECP256R1())
        made = (
            _template(_named(name), self._name, key, days=days)
            .add_extension(x509.SubjectAlternativeName([x509.DNSName(name)]), critical=False)
            .add_extension(
                x509.AuthorityKeyIdentifier.from_issuer_public_key(self._key.public_key()),
                critical=False,
            )
        )
        certificate, secret = self._folder / f"{name}.crt", self._folder / f"{name}.key"
        certificate.write_bytes(_pem(made.sign(self._key, hashes.SHA256())))
        locked: serialization.KeySerializationEncryption = serialization.NoEncryption()
        if password:
            locked = serialization.BestAvailableEncryption(password.encode())
        encoding, form = serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8
        secret.write_bytes(key.private_bytes(encoding, form, locked))
        return certificate, secret

    def _identifier(self) -> x509.SubjectKeyIdentifier:
        return x509.SubjectKeyIdentifier.from_public_key(self._key.public_key())


def _named(name: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])


def _template(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePrivateKey, *, days: int
) -> x509.CertificateBuilder:
    now = datetime.now(UTC)
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=400))
        .not_valid_after(now + timedelta(days=days))
    )


def _usage(*, signs: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=True, key_cert_sign=signs, crl_sign=signs, content_commitment=False,
        key_encipherment=False, data_encipherment=False, key_agreement=False,
        encipher_only=False, decipher_only=False,
    )  # fmt: skip


def _pem(certificate: x509.Certificate) -> bytes:
    return certificate.public_bytes(serialization.Encoding.PEM)
