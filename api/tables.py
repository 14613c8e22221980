"""The tables, once for SQLite and PostgreSQL. Names and types only; who reads and writes them is in ledger, history and outbox.

History is kept as integers (mV, mA, 0.1 °C, 0.01 %, mAh), clustered by battery and time: on SQLite the key *is* the table
(WITHOUT ROWID), so a stretch of one battery lies together and a reading takes less than 40 bytes.
"""

from sqlalchemy import BigInteger, Boolean, Column, Index, Integer, LargeBinary, MetaData, SmallInteger, Table, Text, UniqueConstraint

METADATA = MetaData()

BIG = BigInteger().with_variant(Integer, "sqlite")
"""A number that counts itself up: SQLite does so only for INTEGER."""


def _history_key() -> tuple[Column[int], Column[int]]:
    return (
        Column("battery", Integer, primary_key=True, autoincrement=False),
        Column("at_ms", BigInteger, primary_key=True, autoincrement=False),
    )


HISTORY = Table(
    "history",
    METADATA,
    *_history_key(),
    Column("sequence", BigInteger, primary_key=True, autoincrement=False),
    Column("voltage_mv", Integer, nullable=False),
    Column("current_ma", Integer),
    Column("temperature_dc", Integer),  # 0.1 °C
    Column("charge_mah", BigInteger),
    Column("soc_cpct", SmallInteger),  # state of charge, 0.01 %
    Column("belief", Integer, nullable=False),  # interval and charge phase in one number, see api.history.codes
    sqlite_with_rowid=False,
)


def _rolled(name: str, *more: Column[int]) -> Table:
    """Readings joined over a stretch. Sums and counts, not means, so that joining further stays exact."""
    columns: list[Column[int]] = [*_history_key(), Column("n", Integer, nullable=False), Column("last_ms", BigInteger, nullable=False)]
    for quantity in ("voltage_mv", "current_ma", "temperature_dc", "soc_cpct"):
        columns += [Column(f"{quantity}_n", Integer, nullable=False), Column(f"{quantity}_sum", BigInteger)]
        columns += [Column(f"{quantity}_{part}", Integer) for part in ("min", "max", "last")]
    columns += [Column("low_cpct_min", Integer), Column("high_cpct_max", Integer), Column("phase", SmallInteger, nullable=False)]
    return Table(name, METADATA, *columns, *more, sqlite_with_rowid=False)


HISTORY_MINUTE = _rolled("history_minute")
HISTORY_HOUR = _rolled("history_hour", Column("detail", SmallInteger, nullable=False))
"""`detail`: what is still kept of the hour, see api.history.sources."""

UNROLLED = Table("unrolled", METADATA, *_history_key(), sqlite_with_rowid=False)
"""Hours (their beginning) of a battery whose roll-ups do not yet show all their readings."""

UNSENT = Table(
    "unsent",
    METADATA,
    *_history_key(),
    Column("from_ms", BigInteger, nullable=False),
    Column("version", BigInteger, nullable=False),
    sqlite_with_rowid=False,
)
"""Hours of a battery that the second history (api.history.forward) does not have yet, from which reading on; only where there is one."""

PARTITIONS = Table(
    "partitions",
    METADATA,
    Column("battery", Integer, primary_key=True, autoincrement=False),
    Column("queue", Text, nullable=False, index=True),
)
"""Through which queue a battery's readings last came: whoever reads that queue answers for the battery, though it is silent."""

POSTED = Table(
    "posted",
    METADATA,
    Column("number", BIG, primary_key=True, autoincrement=True),
    Column("battery", Integer, nullable=False),
    Column("format", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("received_ms", BigInteger, nullable=False),
)
"""What came over HTTP to a process that does not answer for the battery; its worker takes it from here (api.posted)."""

BATTERIES = Table(
    "batteries",
    METADATA,
    Column("number", BIG, primary_key=True, autoincrement=True),
    Column("id", Text, nullable=False, unique=True),
    Column("fence", BigInteger, nullable=False, server_default="0"),  # raised by each worker that takes the battery over
)

DECLARATIONS = Table(
    "declarations",
    METADATA,
    Column("number", BIG, primary_key=True, autoincrement=True),
    Column("battery", Integer, nullable=False, index=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("who", Text, nullable=False),
    Column("declared", Text, nullable=False),  # JSON
)

LATEST = Table(
    "latest",
    METADATA,
    Column("battery", Integer, primary_key=True, autoincrement=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("assessment", Text, nullable=False),  # JSON, without its details
    Column("details", Text, nullable=False),  # JSON
)
"""As of when it last said something that history does not say: see api.ledger_latest."""

NEWEST_CHECKPOINTS = Table(
    "newest_checkpoints",
    METADATA,
    Column("battery", Integer, primary_key=True, autoincrement=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("state", LargeBinary, nullable=False),
)

CHECKPOINTS = Table("checkpoints", METADATA, *_history_key(), Column("state", LargeBinary, nullable=False))
"""Older ones, thinned: hourly for a day, daily for 45 days, so that late readings can be folded at their own time."""

ALERTS = Table(
    "alerts",
    METADATA,
    Column("id", Text, primary_key=True),
    Column("battery", Integer, nullable=False),
    Column("rule", Text, nullable=False),
    Column("priority", Text, nullable=False),
    Column("began_ms", BigInteger, nullable=False),
    Column("ended_ms", BigInteger),
    Column("finding", Text, nullable=False),  # JSON
    Column("acknowledged_ms", BigInteger),
    Column("acknowledged_by", Text),
    Column("shelved_until_ms", BigInteger),
    Column("shelved_by", Text),
    Column("shelved_reason", Text),
    Column("out_of_service_until_ms", BigInteger),
    Column("out_of_service_by", Text),
    Column("out_of_service_reason", Text),
    Index("alerts_by_battery", "battery", "began_ms"),
    Index("alerts_by_end", "ended_ms", "began_ms"),
    Index("alerts_by_time", "began_ms", "id"),
)

ACTS = Table(
    "acts",
    METADATA,
    Column("number", BIG, primary_key=True, autoincrement=True),
    Column("alert_id", Text, nullable=False, index=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("kind", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("text", Text, nullable=False),
)

NOTES = Table(
    "notes",
    METADATA,
    Column("battery", Integer, primary_key=True, autoincrement=False),
    Column("at_ms", BigInteger, primary_key=True, autoincrement=False),
    Column("kind", Text, primary_key=True),
    Column("value", Text),  # JSON
    Column("who", Text, nullable=False),
)

OUTBOX = Table(
    "outbox",
    METADATA,
    Column("number", BIG, primary_key=True, autoincrement=True),
    Column("alert_id", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("late", Boolean, nullable=False),
    Column("event", Text, nullable=False),  # JSON
    Column("told", Boolean, nullable=False),
    UniqueConstraint("alert_id", "kind", "at_ms"),
    Index("outbox_by_told", "told", "number"),
)

DELIVERIES = Table(
    "deliveries",
    METADATA,
    Column("id", BIG, primary_key=True, autoincrement=True),
    Column("channel", Text, nullable=False),
    Column("kind", Text, nullable=False),  # began | worsened | ended | reminder | repeat | escalation | summary | digest | …
    Column("reason", Text, nullable=False),
    Column("message", Text, nullable=False),  # JSON
    Column("made_ms", BigInteger, nullable=False),
    Column("due_ms", BigInteger, nullable=False),
    Column("tries", Integer, nullable=False),
    Column("state", Text, nullable=False),
    Column("done_ms", BigInteger),
    Column("leased_until_ms", BigInteger, nullable=False),
    Column("last_error", Text),
    Index("deliveries_by_due", "state", "channel", "due_ms"),
)

DELIVERED_ALERTS = Table(
    "delivered_alerts",
    METADATA,
    Column("delivery", BIG, primary_key=True, autoincrement=False),
    Column("alert_id", Text, primary_key=True),
    Column("channel", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Index("delivered_alerts_by_alert", "alert_id", "channel"),
)
"""Which alerts a delivery speaks of: one for most, many for a summary."""

DEAD_LETTERS = Table(
    "dead_letters",
    METADATA,
    Column("number", BIG, primary_key=True, autoincrement=True),
    Column("at_ms", BigInteger, nullable=False, index=True),
    Column("source", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("raw", LargeBinary, nullable=False),
)

QUARANTINE = Table(
    "quarantine",
    METADATA,
    Column("battery", Integer, primary_key=True, autoincrement=False),
    Column("at_ms", BigInteger, primary_key=True, autoincrement=False),
    Column("sequence", BigInteger, primary_key=True, autoincrement=False),
    Column("received_ms", BigInteger, nullable=False),
    Column("reason", Text, nullable=False),
    Column("reading", Text, nullable=False),  # JSON
)

META = Table("meta", METADATA, Column("key", Text, primary_key=True), Column("value", Text, nullable=False))
"""Small facts by name, as JSON: counters, cursors, learned values, when something was last done."""
