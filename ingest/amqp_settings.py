"""Settings of the source that reads a fleet's partitions. Unknown keys are refused; nothing here reads a file or connects."""

from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

Node = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9.-]+:[0-9]{1,5}$")]
"""`host:port`."""


class AmqpSettings(BaseModel):
    """`[[source]]` of kind `amqp`."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: Literal["amqp"] = "amqp"
    nodes: tuple[Node, ...] = Field(default=("127.0.0.1:5672",), min_length=1)
    """The broker's nodes; the first that answers is used."""
    username: str = "worker"
    password_file: Path | None = None
    """A file that holds nothing but the password."""
    tls: bool = False
    ca_file: Path | None = None
    """None: the authorities that the system trusts."""
    format: str = "json"
    """Which of the settings' formats decodes the messages."""
    partitions: int = Field(default=8, ge=1, le=99)
    """Queues. Changing it moves batteries to other queues: see DEVELOPERS.md before doing so."""
    members: int = Field(default=1, ge=1, le=7)
    """Nodes that hold a copy of each queue; as many as the broker has, at least three to outlive one."""
    declare: bool = True
    """False: the broker's definitions file did it, and this user may not."""
    worker: int = Field(default=0, ge=0)
    workers: int = Field(default=1, ge=1)
    """This worker's number of so many: its share of the queues is asked for first, the others after it."""
    prefetch: int = Field(default=100, ge=1, le=10_000)
    """Unacknowledged messages of one queue. Judgement: enough for a commit, few enough to come again quickly after a crash."""
    heartbeat_s: int = Field(default=10, ge=2, le=600)
    """Without it a frozen node holds a worker for ever; with 10 s it is noticed after 20 s (measured)."""

    quiet_after_s: float = Field(default=900.0, gt=0)

    @property
    def battery(self) -> None:
        """The topic always tells it."""
        return None

    @model_validator(mode="after")
    def _numbered(self) -> "AmqpSettings":
        if self.ca_file is not None and not self.tls:
            raise ValueError("tls = false: ca_file needs tls = true")
        if self.worker >= self.workers:
            raise ValueError(f"worker = {self.worker}: expected 0 to {self.workers - 1}, since workers = {self.workers}")
        return self

    def addresses(self) -> list[tuple[str, int]]:
        """Host and port of each node, beginning with another one for each worker, so that they spread."""
        split = [node.rpartition(":") for node in self.nodes]
        turned = self.worker % len(split)
        return [(host, int(port)) for host, _, port in split[turned:] + split[:turned]]

    def is_home(self, queue: int) -> bool:
        return queue % self.workers == self.worker
