"""What a start waits for: reading sensors begins before the web is loaded."""

import subprocess
import sys

LATER = ("fastapi", "starlette", "uvicorn", "alembic", "apprise", "plotly", "cryptography", "influxdb_client", "pika", "pymodbus")


def test_a_start_loads_nothing_that_can_wait() -> None:
    """The web framework and server come once readings are being taken, migrations, push services and extras when they are needed."""
    code = f"import sys, api.cli, api.main; print(*[name for name in {LATER!r} if name in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert run.stdout.split() == []
