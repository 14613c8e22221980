"""RabbitMQ nodes as processes on the loopback, from the installed package: own ports, own data, own name server. For tests only."""

import base64
import contextlib
import hashlib
import json
import os
import secrets
import socket
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from tests.fleet.tether import Tethered

LIB = Path("/usr/lib/rabbitmq/lib")
PASSWORD = secrets.token_urlsafe(12)
"""Of every user in these tests; made anew for each run."""


def free_ports(count: int) -> list[int]:
    """Ports of the loopback that were free a moment ago, all different."""
    with contextlib.ExitStack() as stack:
        sockets = [stack.enter_context(socket.socket()) for _ in range(count)]
        for one in sockets:
            one.bind(("127.0.0.1", 0))
        return [int(one.getsockname()[1]) for one in sockets]


def password_hash(password: str) -> str:
    """As the broker keeps it: a salt of four bytes, then SHA-256 of salt and password (rabbitmq.com, passwords)."""
    salt = secrets.token_bytes(4)
    return base64.b64encode(salt + hashlib.sha256(salt + password.encode()).digest()).decode()


def wait_for_port(port: int, seconds: float, process: Tethered | None = None) -> None:
    """Until someone listens there; RuntimeError if not in time or if the process ended."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if process is not None and process.poll() is not None:
            raise RuntimeError(f"the process ended with {process.poll()} before it listened on port {port}")
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 0.5):
            return
        time.sleep(0.05)
    raise RuntimeError(f"nothing listened on port {port} after {seconds:.0f} s")


class Node:
    """One broker node."""

    def __init__(self, folder: Path, name: str, epmd_port: int, ports: Sequence[int], cookie: str) -> None:
        self.name, self.folder = f"{name}@localhost", folder / name
        self.amqp_port, self.mqtt_port, self._dist_port = ports
        self._epmd_port, self._cookie = epmd_port, cookie
        self.process: Tethered | None = None

    def start(self, peers: Sequence[str], definitions: Path) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        (self.folder / "plugins").write_text("[rabbitmq_mqtt,rabbitmq_consistent_hash_exchange].\n")
        config = [
            f"listeners.tcp.1 = 127.0.0.1:{self.amqp_port}",
            f"mqtt.listeners.tcp.1 = 127.0.0.1:{self.mqtt_port}",
            "mqtt.allow_anonymous = false",
            "mqtt.exchange = amq.topic",
            f"load_definitions = {definitions}",
            "net_ticktime = 8",
            "log.file.level = warning",
            "log.console = false",
            "cluster_partition_handling = pause_minority",
            "disk_free_limit.absolute = 100MB",
            "vm_memory_high_watermark.absolute = 1GB",
        ]
        if len(peers) > 1:
            config += ["cluster_formation.peer_discovery_backend = classic_config"]
            config += [f"cluster_formation.classic_config.nodes.{k} = {peer}" for k, peer in enumerate(peers, 1)]
        (self.folder / "rabbitmq.conf").write_text("\n".join(config) + "\n")
        server = sorted(LIB.glob("rabbitmq_server-*/sbin/rabbitmq-server"))[-1]
        self.process = Tethered([str(server)], env=self._environment(), log=self.folder / "console")

    def _environment(self) -> dict[str, str]:
        home = self.folder / "home"
        home.mkdir(exist_ok=True)
        with contextlib.suppress(FileExistsError):
            descriptor = os.open(home / ".erlang.cookie", os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o400)
            os.write(descriptor, self._cookie.encode())
            os.close(descriptor)
        return {
            "PATH": os.environ["PATH"],
            "HOME": str(home),
            "LANG": "C.UTF-8",
            "ERL_EPMD_PORT": str(self._epmd_port),
            "ERL_EPMD_ADDRESS": "127.0.0.1",
            "RABBITMQ_NODENAME": self.name,
            "RABBITMQ_NODE_PORT": str(self.amqp_port),
            "RABBITMQ_NODE_IP_ADDRESS": "127.0.0.1",
            "RABBITMQ_DIST_PORT": str(self._dist_port),
            "RABBITMQ_CONFIG_FILE": str(self.folder / "rabbitmq"),
            "RABBITMQ_CONF_ENV_FILE": str(self.folder / "none"),
            "RABBITMQ_ENABLED_PLUGINS_FILE": str(self.folder / "plugins"),
            "RABBITMQ_MNESIA_BASE": str(self.folder / "data"),
            "RABBITMQ_LOG_BASE": str(self.folder / "log"),
            "RABBITMQ_SERVER_ADDITIONAL_ERL_ARGS": "+S 2:2 +sbwt none +sbwtdcpu none +sbwtdio none -start_epmd false"
            " -kernel inet_dist_use_interface {127,0,0,1}",
        }

    def wait(self, seconds: float = 120) -> None:
        """Until both protocols are spoken."""
        for port in (self.amqp_port, self.mqtt_port):
            wait_for_port(port, seconds, self.process)

    def signal(self, number: int) -> None:
        if self.process is not None:
            self.process.signal(number)

    def kill(self) -> None:
        """Kill -9, and wait until it is gone."""
        if self.process is not None:
            self.process.kill()
        self.process = None

    def errors(self) -> str:
        """What the node said last, for a failed test's report."""
        files = [self.folder / "console", *(self.folder / "log").glob("*.log")]
        return "\n".join(f.read_text(errors="replace")[-2000:] for f in files if f.exists())


class Cluster:
    """A context: a name server and nodes; all gone at its end, however it ends."""

    def __init__(self, folder: Path, nodes: int = 1, definitions: Mapping[str, Any] | None = None) -> None:
        self._folder, cookie = folder, secrets.token_hex(10).upper()
        epmd_port, *ports = free_ports(1 + 3 * nodes)
        self._epmd_port = epmd_port
        self.nodes = [Node(folder, f"r{k + 1}-{epmd_port}", epmd_port, ports[3 * k : 3 * k + 3], cookie) for k in range(nodes)]
        self._definitions = dict(definitions or {})
        self._epmd: Tethered | None = None

    def __enter__(self) -> "Cluster":
        self._folder.mkdir(parents=True, exist_ok=True)
        self._file.write_text(json.dumps(self._definitions))
        self._epmd = Tethered(["epmd", "-port", str(self._epmd_port), "-address", "127.0.0.1"])
        try:
            wait_for_port(self._epmd_port, 5, self._epmd)
            for node in self.nodes:
                node.start([n.name for n in self.nodes], self._file)
                if node is self.nodes[0]:
                    node.wait()  # nodes that all begin at once may each found a cluster of their own
            for node in self.nodes:
                node.wait()
        except BaseException as e:
            for node in self.nodes:
                e.add_note(node.errors())
            self.__exit__()
            raise
        return self

    @property
    def _file(self) -> Path:
        return self._folder / "definitions.json"

    def start_again(self, node: Node) -> None:
        """Kill -9 and start; `node.wait` tells when it is back."""
        node.kill()
        node.start([n.name for n in self.nodes], self._file)

    @property
    def amqp(self) -> list[str]:
        return [f"127.0.0.1:{node.amqp_port}" for node in self.nodes]

    def __exit__(self, *_: object) -> None:
        for node in self.nodes:
            with contextlib.suppress(Exception):
                node.kill()
        if self._epmd is not None:
            self._epmd.kill()
