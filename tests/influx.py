"""InfluxDB for tests: the server that RESTVOLT_TEST_INFLUX_URL names, one in a container where Docker runs, or else the double.

With RESTVOLT_TEST_INFLUX_URL go RESTVOLT_TEST_INFLUX_TOKEN, …_ORG and …_BUCKET (a bucket that may be written). The test ids show which was used.
"""

import contextlib
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

from api.history.influx_server import InfluxServer
from api.history.influx_settings import InfluxSettings
from tests.fakes.influx_server import InfluxDouble


def _docker_runs() -> bool:
    docker = shutil.which("docker")
    return docker is not None and subprocess.run([docker, "info"], capture_output=True, check=False).returncode == 0


USED = (
    "influx of RESTVOLT_TEST_INFLUX_URL"
    if os.environ.get("RESTVOLT_TEST_INFLUX_URL")
    else "influx in a container"
    if _docker_runs()
    else "influx double"
)


@contextlib.contextmanager
def influx(folder: Path) -> Iterator[InfluxSettings]:
    """Settings for an empty bucket of its own."""
    secret = folder / "influx token"
    if USED == "influx double":
        with InfluxDouble() as double:
            secret.write_text(double.token)
            yield InfluxSettings(url=double.url, org=double.org, bucket=double.bucket, token_file=secret)
        return
    with _real() as (url, token, org, bucket):
        secret.write_text(token)
        settings = InfluxSettings(url=url, org=org, bucket=f"{bucket}-{uuid4().hex}", token_file=secret)
        server = InfluxServer(settings)
        server.make_bucket(settings.bucket, 0)
        try:
            yield settings
        finally:
            server.drop_bucket(settings.bucket)
            server.close()


@contextlib.contextmanager
def _real() -> Iterator[tuple[str, str, str, str]]:
    if USED == "influx in a container":
        from testcontainers.community.influxdb import InfluxDb2Container  # type: ignore[import-untyped]

        token = uuid4().hex
        given = {"username": "restvolt", "password": token, "org_name": "fleet", "bucket": "readings"}
        with InfluxDb2Container("influxdb:2.7", init_mode="setup", admin_token=token, **given) as container:
            yield container.get_url(), token, "fleet", "readings"
    else:
        url, token, org, bucket = (os.environ[f"RESTVOLT_TEST_INFLUX_{name}"] for name in ("URL", "TOKEN", "ORG", "BUCKET"))
        yield url, token, org, bucket
