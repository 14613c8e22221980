"""Make what the compose file needs: secrets that are not there yet, and the broker's definitions from api/deploy/gateways.toml.

Run it again after a change of the gateways; existing secrets stay as they are. Files can be read by the containers' users, the folder
only by its owner.
"""

import base64
import hashlib
import json
import secrets
import sys
import tomllib
from pathlib import Path

from ingest import amqp_topology

HERE = Path(__file__).parent
PARTITIONS = 8
GENERATED = ("worker_password", "database_password", "history_password", "history_token", "van_password", "van_sensor_password")


def rabbit_hash(password: str) -> str:
    """As RabbitMQ keeps it: a salt of four bytes, then SHA-256 of salt and password (its documentation, passwords)."""
    salt = secrets.token_bytes(4)
    return base64.b64encode(salt + hashlib.sha256(salt + password.encode()).digest()).decode()


def mosquitto_hash(password: str) -> str:
    """As mosquitto keeps it since version 2: PBKDF2 with SHA-512, `$7$rounds$salt$hash` (its source, password_mosq.c)."""
    salt, rounds = secrets.token_bytes(12), 101
    hashed = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, rounds)
    return f"$7${rounds}${base64.b64encode(salt).decode()}${base64.b64encode(hashed).decode()}"


def prepare(folder: Path, gateways: Path) -> list[str]:
    """Fill the folder; gives the names of the files that are new."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    declared = tomllib.loads(gateways.read_text(encoding="utf-8")).get("gateway", {})
    made = [name for name in (*GENERATED, *(f"gateway_{name}" for name in declared)) if _generate(folder / name)]
    users = [amqp_topology.worker("worker", rabbit_hash(_secret(folder / "worker_password")))]
    for name, entry in declared.items():
        users.append(amqp_topology.gateway(name, rabbit_hash(_secret(folder / f"gateway_{name}")), entry.get("batteries", ())))
    definitions = amqp_topology.definitions(PARTITIONS, 1, users)
    definitions["policies"] = [amqp_topology.NEVER_GIVEN_UP]
    _write(folder / "broker_definitions", json.dumps(definitions, indent=1))
    van = {"restvolt": "van_password", "house": "van_sensor_password"}
    _write(folder / "van_broker_passwords", "".join(f"{user}:{mosquitto_hash(_secret(folder / of))}\n" for user, of in van.items()))
    return made


def _generate(path: Path) -> bool:
    if path.exists():
        return False
    _write(path, secrets.token_urlsafe(32))
    return True


def _secret(path: Path) -> str:
    return path.read_text(encoding="utf-8").strip()


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")
    path.chmod(0o644)


if __name__ == "__main__":
    new = prepare(HERE / "secrets", HERE / "gateways.toml")
    sys.stdout.write(
        f"{HERE / 'secrets'}: {', '.join(new) + ' made' if new else 'all secrets were there'}; the broker's definitions are renewed.\n"
    )
