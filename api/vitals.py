"""What the running service says about itself, for /healthz, /readyz and /metrics: made from counters and states, nothing is measured here."""

from collections.abc import Iterable, Mapping, Sequence

from api.health import Health, Measure, Part
from api.words import rfc3339
from ingest.counters import Counters
from ingest.supervisor import Supervised


def health_of(
    counters: Counters, sources: Sequence[Supervised], outbox_alive: bool, clock_trusted: bool, others: Sequence[Part] = ()
) -> Health:
    """Each part in a sentence. The store is needed; a source that is away is not: the rest of the service goes on."""
    parts = [_store(counters)]
    parts += [_source(source) for source in sources]
    says = "Messages are being sent." if outbox_alive else "Messages are not being sent: restart the service and look at its log."
    parts.append(Part("push", outbox_alive, says))
    if not clock_trusted:
        says = "The time is not known yet since the start of this machine: readings without a time of their own wait until it is."
        parts.append(Part("clock", False, says, needed=False))
    return Health((*parts, *others))


def _store(counters: Counters) -> Part:
    if counters.failing_since_ms is not None:
        since = rfc3339(counters.failing_since_ms)
        return Part("store", False, f"Nothing can be kept since {since}: {counters.last_failure} Readings wait and are not lost.")
    return Part("store", True, "Readings are being kept.")


def _source(source: Supervised) -> Part:
    state = source.state
    since = "the start" if state.since_ms is None else rfc3339(state.since_ms)
    if state.ended:
        return Part(state.name, True, "Read to its end.", needed=False)
    if not state.up:
        why = state.last_error or "not opened yet"
        return Part(state.name, False, f"Away since {since}: {why}. It is tried again and again.", needed=False)
    quiet_s = source.quiet_s()
    if quiet_s is not None:
        return Part(
            state.name, False, f"Open since {since}, but no valid reading for {quiet_s:.0f} seconds: check wiring and format.", needed=False
        )
    return Part(state.name, True, f"Open since {since}.", needed=False)


def measures_of(counters: Counters, sources: Sequence[Supervised], written: Mapping[str, int]) -> Iterable[Measure]:
    """Numbers for the metrics page (OpenMetrics 1.0)."""
    for name, value, help_text in (
        ("restvolt_deliveries", counters.deliveries, "deliveries that came from sources"),
        ("restvolt_readings_kept", counters.kept, "readings on disk since the start"),
        ("restvolt_readings_duplicate", counters.duplicates, "readings that were known already"),
        ("restvolt_readings_late", counters.late, "readings that came after newer ones"),
        ("restvolt_readings_released", counters.released, "readings released from quarantine"),
        ("restvolt_messages_retained", counters.retained, "retained messages, which are no fresh readings"),
        ("restvolt_alert_events", counters.events, "alerts that began, worsened or ended"),
        ("restvolt_commits", written["commits"], "transactions of the database"),
        ("restvolt_commit_failures", counters.commit_failures, "times that the store took nothing"),
    ):
        yield Measure(name, "counter", "", help_text, value)
    for reason, count in sorted(counters.rejected.items()):
        yield Measure("restvolt_rejected", "counter", "", "pieces that were no readings", count, (("reason", reason),))
    for reason, count in sorted(counters.quarantined.items()):
        yield Measure("restvolt_quarantined", "counter", "", "readings whose time cannot be believed yet", count, (("reason", reason),))
    if "bytes" in written:
        yield Measure("restvolt_disk_written_bytes", "counter", "bytes", "what this process sent to the disk", written["bytes"])
    if counters.last_commit_ms is not None:
        yield Measure("restvolt_last_commit_seconds", "gauge", "seconds", "how long the last commit took", counters.last_commit_ms / 1000)
    for source in sources:
        label = (("source", source.name),)
        yield Measure("restvolt_source_up", "gauge", "", "whether the source is open", float(source.state.up), label)
        yield Measure("restvolt_source_losses", "counter", "", "times that the source was lost", source.state.losses, label)


def written(counted: Mapping[str, int], passed_ms: int) -> str:
    """How much the card had to take, scaled to a day, for the log at the end."""
    days = max(passed_ms, 1) / 86_400_000
    size = f", {counted['bytes'] / 1e6 / days:.1f} MB" if "bytes" in counted else ""
    return f"the service stops; at this rate a day takes {counted['commits'] / days:,.0f} commits{size}"
