"""The simulated fleet against a real service: mixed formats, offline spells, doubles and garbage, and every honest reading is kept once."""

import json
import subprocess
import sys
import urllib.request
from collections import Counter
from pathlib import Path

from sqlalchemy import func, select

from api.database import Database
from api.ledger import SqlLedger
from api.tables import HISTORY
from simulators.fleet import declarations
from tests.brokers import DURABLE, ONLY_MOSQUITTO, Broker, free_port
from tests.end_to_end.test_relay import until

pytestmark = ONLY_MOSQUITTO

VEHICLES, READINGS = 90, 15
SETTINGS = """
data = "data"

[keep]
commit_every_s = 0.2

[clock]
believed_after_s = 0

[web]
port = {web}

[[source]]
kind = "mqtt"
host = "127.0.0.1"
port = {broker}
topic = "readings/{{battery}}"
format = "yard"
client_id = "service-json"

[[source]]
kind = "mqtt"
host = "127.0.0.1"
port = {broker}
topic = "senml/{{battery}}"
format = "pack"
client_id = "service-senml"

[format.yard]
decoder = "json"
voltage = "volts"
current = "amps"
temperature = "celsius"
time = {{ field = "time", kind = "rfc3339" }}
sequence = "n"

[format.pack]
decoder = "senml"
voltage = "voltage"
current = "current"
temperature = "temperature"
"""


def _listens(web: int) -> bool:
    """Whether every part of the service says that it works."""
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{web}/readyz", timeout=5) as answer:
            parts = {part["name"].split(":")[0]: part["works"] for part in json.load(answer)["parts"]}
            return parts.get("mqtt", False) and all(parts.values())
    except OSError:
        return False


def test_a_fleets_readings_are_kept_once_each(tmp_path: Path) -> None:
    """What the fleet says it sent is what history holds; garbage lies in the dead letters; doubles changed nothing."""
    with Broker(tmp_path, *DURABLE) as broker:
        file, web = tmp_path / "restvolt.toml", free_port()
        file.write_text(SETTINGS.format(web=web, broker=broker.port) + "\n" + declarations(VEHICLES), encoding="utf-8")
        file.chmod(0o600)
        with (tmp_path / "log.txt").open("wb") as log:
            service = subprocess.Popen(
                [sys.executable, "-c", "from api.cli import main; main()", "run", "--settings", str(file)], stdout=log, stderr=log
            )
        try:
            until(lambda: _listens(web), "the service's subscriptions")
            said = subprocess.run(
                [sys.executable, "-m", "simulators", "fleet", "--broker", f"127.0.0.1:{broker.port}", "--vehicles", str(VEHICLES), "--readings", str(READINGS),
                 "--rate", "1500", "--offline", "0.2", "--garbage", "0.01", "--doubled", "0.02", "--quiet"],
                capture_output=True, check=True, timeout=120,
            )  # fmt: skip
            counts = json.loads(said.stdout)
            with Database(str(tmp_path / "data" / "restvolt.db"), checkpoints=False) as database:
                ledger = SqlLedger(database)

                def kept() -> Counter[str]:
                    return Counter(r.battery_id for b in ledger.batteries() for r in ledger.history.readings(b.id, 0))

                def there() -> int:
                    with database.reading() as connection:
                        return int(connection.execute(select(func.count()).select_from(HISTORY)).scalar_one())

                until(lambda: there() >= counts["sent"], "the whole history")
                until(lambda: len(ledger.dead_letters(1000)) >= counts["garbage"], "the garbage")
                assert sum(kept().values()) == counts["sent"]
                assert len(kept()) == VEHICLES
                assert len(ledger.dead_letters(1000)) >= counts["garbage"] > 0  # noise with a line end in it is two frames
                assert counts["doubled"] > 0
        finally:
            service.terminate()
            service.wait(20)
