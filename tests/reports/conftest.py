import pytest

from replay.reports.bundle import make_bundle
from tests.reports.yard import bench_yard


@pytest.fixture(scope="session")
def yard(tmp_path_factory):
    """An archive of bench sessions, and the name of the one with a fault in it."""
    return bench_yard(tmp_path_factory)


@pytest.fixture(scope="session")
def made(yard, keys, tmp_path_factory):
    """A signed bundle of the session with a fault."""
    archive, session = yard
    return make_bundle(archive, session, tmp_path_factory.mktemp("bundle"), key=keys[0])


@pytest.fixture(scope="session")
def keys(tmp_path_factory):
    """A pair of keys: paths of the private and of the public one."""
    return key_pair(tmp_path_factory.mktemp("keys"))


def key_pair(folder):
    from cryptography.hazmat.primitives import serialization as s
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    key = Ed25519PrivateKey.generate()
    private, public = folder / "key.pem", folder / "public.pem"
    private.write_bytes(key.private_bytes(s.Encoding.PEM, s.PrivateFormat.PKCS8, s.NoEncryption()))
    public.write_bytes(
        key.public_key().public_bytes(s.Encoding.PEM, s.PublicFormat.SubjectPublicKeyInfo)
    )
    return private, public
