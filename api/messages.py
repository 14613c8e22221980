"""What a person gets to read: titles and texts from findings, the same words as on the page. One screen of a phone. Pure."""

import re
from collections.abc import Callable, Sequence

from analytics.assessment import Finding
from api.people import RANK
from api.ports import Alert, Message
from api.words import since

Names = Callable[[Alert], str]
"""What people call the vehicle of an alert, as on the page."""
LINES = 12
"""Judgement: more lines than fit a phone's screen are not read; the rest is counted."""


def about(alert: Alert, kind: str, finding: Finding, now_ms: int, names: Names) -> Message:
    """One alert: began, worsened, repeat, reminder, escalation or ended. `finding` is the event's (an end says what is seen now)."""
    title = f"{names(alert)}: {finding.title}"
    if kind == "ended":
        lines = [finding.seen, f"It lasted {since(max(0, (alert.ended_ms or now_ms) - alert.began_ms))}."]
        return Message(f"Over: {names(alert)}: {alert.finding.title}", _joined(lines), alert.priority, alert.id, alert.battery_id)
    lines = [finding.seen, finding.meaning, finding.advice, finding.caution]
    before, asked = _asking(kind, alert, now_ms)
    return Message(before + title, _joined([asked, *lines]), alert.priority, alert.id, alert.battery_id)


def _asking(kind: str, alert: Alert, now_ms: int) -> tuple[str, str]:
    """What stands before the title of a message that is not the first, and the sentence why it comes."""
    unanswered = f"It has lasted {since(max(0, now_ms - alert.began_ms))}, and nobody has acknowledged it."
    if kind == "reminder":
        ago = since(max(0, now_ms - (alert.acknowledged_ms or now_ms)))
        return "Not mended: ", f"{alert.acknowledged_by} acknowledged it {ago} ago, and it is still there."
    asking = {"worsened": ("Worse: ", ""), "repeat": ("Still: ", unanswered), "escalation": ("Nobody answered: ", unanswered)}
    return asking.get(kind, ("", ""))


def gateway_down(gateway: str, alerts: Sequence[Alert], names: Names, kind: str = "began", now_ms: int = 0) -> Message:
    """One message for one cause: the batteries' own silences are not told one by one, nor repeated, nor passed on."""
    batteries = sorted({names(alert) for alert in alerts})
    before, asked = _asking(kind, min(alerts, key=lambda alert: alert.began_ms), now_ms)
    silent = "fell silent together" if kind == "began" else "are silent"
    text = _joined([
        asked,
        f"{len(batteries)} batteries that report through {gateway} {silent}: {_listed(batteries)}.",
        "The gateway or its connection has most likely failed. How the batteries stand cannot be judged: this is neither fine nor low.",
        "Look after the gateway's power and network first.",
    ])  # fmt: skip
    return Message(f"{before}Gateway {gateway} is down", text, _highest(alerts), None, None)


def gateway_back(gateway: str, alerts: Sequence[Alert], names: Names) -> Message:
    batteries = sorted({names(alert) for alert in alerts})
    text = f"{len(batteries)} batteries that report through {gateway} are heard again: {_listed(batteries)}."
    return Message(f"Gateway {gateway} is back", text, _highest(alerts), None, None)


def backlog(alerts: Sequence[Alert], names: Names) -> Message:
    """What happened while it was out of reach: one summary, what still holds first."""
    holding = [alert for alert in alerts if alert.ended_ms is None]
    over = [alert for alert in alerts if alert.ended_ms is not None]
    batteries = sorted({names(alert) for alert in alerts})
    lines = [
        f"Readings of {_listed(batteries)} came in late. They show {_counted(len(alerts), 'alert')}; {_counted(len(holding), 'still holds', 'still hold')}."
    ]
    lines += [f"{_line(alert, '', names)} {alert.finding.advice}" for alert in _worst_first(holding)[:LINES]]
    lines += [_line(alert, "over: ", names) for alert in _worst_first(over)[: max(0, LINES - len(holding))]]
    lines += sorted({alert.finding.caution for alert in holding if alert.finding.caution})
    return Message(
        f"Heard again, with {_counted(len(alerts), 'alert')} meanwhile", "\n".join(lines), _highest(holding or alerts), None, None
    )


def digest(entries: Sequence[tuple[Alert, str]], names: Names) -> Message:
    """Low priority, gathered: alerts that began and alerts that ended."""
    began = [alert for alert, kind in entries if kind != "ended"]
    ended = [alert for alert, kind in entries if kind == "ended"]
    title = f"Today: {_counted(len(began), 'thing')} to look after" if began else f"{_counted(len(ended), 'thing')} settled"
    lines = [f"{_line(alert, '', names)} {alert.finding.advice}" for alert in _worst_first(began)[:LINES]]
    if len(began) > LINES:
        lines.append(f"And {len(began) - LINES} more.")
    lines += [_line(alert, "over: ", names) for alert in ended[: max(0, LINES - len(began))]]
    lines += sorted({alert.finding.caution for alert in began if alert.finding.caution})
    only = entries[0][0] if len(entries) == 1 else None
    return Message(title, "\n".join(lines), "low", only.id if only else None, only.battery_id if only else None)


OLD_MS = 1_800_000
"""Judgement: a forecast in hours is not of now any more half an hour later."""


def written(message: Message, made_ms: int, now_ms: int) -> Message:
    """The message, with a word on its age where it had to wait for the end of the quiet or for its way to open: "in 2 hours" counts from then."""
    ago_ms = now_ms - made_ms
    return message if ago_ms < OLD_MS else message._replace(text=f"{message.text}\nWritten {since(ago_ms)} ago.")


def in_units(message: Message, temperature_unit: str) -> Message:
    """The message with degrees Fahrenheit in place of Celsius where a person wants so."""
    if temperature_unit == "C":
        return message
    return message._replace(title=_fahrenheit(message.title), text=_fahrenheit(message.text))


def _fahrenheit(text: str) -> str:
    return re.sub(r"([-−]?\d+(?:\.\d+)?)(\s?)°C", lambda m: f"{float(m[1].replace('−', '-')) * 1.8 + 32:.0f}{m[2]}°F", text)


def _line(alert: Alert, before: str, names: Names) -> str:
    return f"{before}{names(alert)}: {alert.finding.title}."


def _joined(lines: Sequence[str]) -> str:
    return "\n".join(line for line in lines if line)


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names) if len(names) <= LINES else f"{', '.join(names[:LINES])} and {len(names) - LINES} more"


def _counted(count: int, one: str, many: str | None = None) -> str:
    words = one if count == 1 else many or f"{one}s"
    return f"{'none' if count == 0 else count} {words}" if count or many else f"no {words}"


def _worst_first(alerts: Sequence[Alert]) -> list[Alert]:
    return sorted(alerts, key=lambda alert: (-RANK[alert.priority], alert.began_ms, alert.id))


def _highest(alerts: Sequence[Alert]) -> str:
    return max((alert.priority for alert in alerts), key=RANK.__getitem__, default="low")
