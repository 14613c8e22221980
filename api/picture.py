"""`replay --explain`: the story of a recording as one HTML file that needs no network: sentences, and a chart drawn by Plotly's script."""

import csv
import gzip
import html
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import orjson

from analytics.assessment import Anchor, Outcome
from analytics.story import anchored, story, worth_telling
from api.recording import EPOCH_MS
from api.replay import Replayed
from api.web.page import chart_script

MOST_POINTS = 4000
"""A browser draws this many without stutter. Judgement."""


def explained(readings: Path, out: Path, happened: Sequence[Outcome], done: Replayed) -> str:
    """The sentences; the page is written beside the assessments as story.html."""
    if done.state is None:
        return "Nothing happened: there was no reading."
    sentences = list(story(happened, done.state))
    anchors = [o.assessment.anchor for o in happened if o.assessment.anchor is not None]
    distinct = [a for k, a in enumerate(anchors) if a not in anchors[:k] and worth_telling(a)]
    page = picture(readings, out / "assessments.csv", distinct, sentences, f"Battery {done.state.battery.id}: the story of {readings.name}")
    (out / "story.html").write_text(page, encoding="utf-8")
    return "\n".join((*sentences, f"Drawn: {out / 'story.html'}."))


def picture(readings: Path, assessments: Path, anchors: Sequence[Anchor], sentences: Sequence[str], title: str) -> str:
    """The page. `readings` is the recording, `assessments` what replay wrote of it, both CSV with time or time_s."""
    seen, believed = _columns(readings), _columns(assessments)
    time = "time_s" if "time_s" in believed else "time"
    start = _seconds(believed[time][0])
    hours = [(_seconds(x) - start) / 3600 for x in believed[time]]
    traces = [
        _line(hours, believed["state_of_charge_high_pct"], "90 % of the time below", "y", width=0),
        {**_line(hours, believed["state_of_charge_low_pct"], "90 % of the time above", "y", width=0), "fill": "tonexty"},
        _line(hours, believed["state_of_charge_pct"], "state of charge, %", "y"),
    ]
    own = [(_seconds(x) - start) / 3600 for x in seen[time]] if time in seen else []
    for name, axis in (("voltage_v", "y2"), ("current_a", "y3")):
        if own and name in seen:
            traces.append(_line(own, seen[name], {"voltage_v": "voltage, V", "current_a": "current, A"}[name], axis))
    traces.append({
        "x": [(a.at_ms / 1000 - start) / 3600 for a in anchors], "y": [a.after_pct for a in anchors], "text": [anchored(a) for a in anchors],
        "mode": "markers", "marker": {"size": 9, "symbol": "diamond"}, "name": "anchored", "yaxis": "y", "hoverinfo": "text",
    })  # fmt: skip
    layout = {
        "height": 760, "hovermode": "closest", "xaxis": {"title": {"text": "hours"}, "anchor": "y3"},
        "yaxis": {"domain": [0.5, 1], "range": [0, 102], "title": {"text": "%"}},
        "yaxis2": {"domain": [0.26, 0.46], "title": {"text": "V"}}, "yaxis3": {"domain": [0, 0.22], "title": {"text": "A"}},
    }  # fmt: skip
    script = chart_script()
    if script is None:
        raise FileNotFoundError("The chart script is not installed: pip install plotly.")
    drawing = script.read_text(encoding="utf-8")
    said = "".join(f"<li>{html.escape(s)}</li>" for s in sentences)
    drawn = orjson.dumps([traces, layout]).decode().replace("</", "<\\/")
    return (
        f"<!doctype html><html lang=en><meta charset=utf-8><title>{html.escape(title)}</title><h1>{html.escape(title)}</h1>"
        f"<ol>{said}</ol><div id=chart></div><script>{drawing}</script><script>const [data, layout] = {drawn};"
        "Plotly.newPlot('chart', data, layout, {responsive: true});</script></html>"
    )


def _columns(path: Path) -> dict[str, list[str]]:
    """The columns of a CSV by name, thinned to what a browser can draw."""
    with gzip.open(path, "rt", newline="") if path.suffix == ".gz" else path.open(newline="", encoding="utf-8") as f:
        rows = list(csv.DictReader(f))
    every = max(1, len(rows) // MOST_POINTS)
    return {name: [row[name] for row in rows[::every]] for name in (rows[0] if rows else ())}


def _seconds(text: str) -> float:
    """Seconds since 1970 of a time_s (counted from the replay's epoch) or an RFC 3339 time."""
    try:
        return EPOCH_MS / 1000 + float(text)
    except ValueError:
        return datetime.fromisoformat(text).timestamp()


def _line(x: list[float], y: list[str], name: str, axis: str, width: float = 1.5) -> dict[str, object]:
    values = [float(v) if v else None for v in y]
    return {"x": x, "y": values, "name": name, "yaxis": axis, "mode": "lines", "line": {"width": width}}
