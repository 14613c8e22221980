"""What a replay did, in words and as JSON."""

from pathlib import Path

import orjson

from api.replay import Replayed


def as_text(done: Replayed, out: Path | None) -> str:
    """A few sentences a person can read aloud."""
    lines = [f"{done.rows} readings folded in {done.seconds:.1f} s ({done.rows / max(done.seconds, 1e-9):,.0f} a second)."]
    if done.late or done.duplicate:
        lines.append(f"{done.late} came late and {done.duplicate} twice; they changed nothing.")
    if done.long_ago:
        lines.append(
            f"{done.long_ago} of the late ones are dated months or years back: unless they are an older recording, the sensor's clock jumped "
            "back, and what it tells since is missing here. Set the clock, or mend the times in the file."
        )
    if done.future:
        lines.append(f"{done.future} were dated months or years ahead by a clock that then came back; they changed nothing.")
    if done.rejected:
        line, reason = done.rejected[0]
        lines.append(f"{len(done.rejected)} rows were no readings, the first in line {line}: {reason}")
    if done.last is not None:
        a = done.last.assessment
        if a.state_of_charge_pct is None:
            lines.append("The state of charge cannot be told yet.")
        else:
            low, high = a.state_of_charge_low_pct, a.state_of_charge_high_pct
            lines.append(f"At the end: {a.state_of_charge_pct:.0f} % charged, between {low:.0f} and {high:.0f} % nine times in ten.")
    for rule, count in sorted(done.began.items()):
        lines.append(f"Alert {rule}: {count} time{'s' if count > 1 else ''}.")
    if not done.began:
        lines.append("No alert.")
    if out is not None:
        lines.append(f"Written: {out / 'assessments.csv'} and {out / 'alerts.jsonl'}.")
    return "\n".join(lines)


def as_json_text(done: Replayed) -> str:
    a = done.last.assessment if done.last is not None else None
    return orjson.dumps(
        {
            "rows": done.rows,
            "late": done.late,
            "long_ago": done.long_ago,
            "future": done.future,
            "duplicate": done.duplicate,
            "rejected": [{"line": line, "reason": reason} for line, reason in done.rejected],
            "seconds": done.seconds,
            "state_of_charge_pct": a.state_of_charge_pct if a else None,
            "state_of_charge_low_pct": a.state_of_charge_low_pct if a else None,
            "state_of_charge_high_pct": a.state_of_charge_high_pct if a else None,
            "alerts": dict(done.began),
        }
    ).decode()
