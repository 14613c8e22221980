"""The Flux texts: what is asked of InfluxDB and what its tasks do. Values come in as parameters, never by pasting them in."""

QUANTITIES = ("voltage_mv", "current_ma", "temperature_dc", "soc_cpct")
"""What is joined; the rest of a point is its interval, its phase, its counter and its sequence."""

_READINGS = (
    "from(bucket: _bucket) |> range(start: time(v: _begin), stop: time(v: _end))"
    ' |> filter(fn: (r) => r._measurement == "reading" and r.battery == _battery)'
)

LAST = _READINGS + ' |> filter(fn: (r) => r._field == "voltage_mv") |> last() |> keep(columns: ["_time"])'

ROWS = (
    _READINGS
    + ' |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value") |> group() |> sort(columns: ["_time"]) |> limit(n: _limit)'
)


def _any(names: tuple[str, ...]) -> str:
    return " or ".join(f'r._field == "{name}"' for name in names)


def _of(names: tuple[str, ...]) -> str:
    return f"data |> filter(fn: (r) => {_any(names)}) |> toFloat()"


_JOIN = (
    'joined = (tables=<-, fn, of) => tables |> aggregateWindow(every: {every}, fn: fn, createEmpty: false, timeSrc: "_start")'
    ' |> set(key: "of", value: of)'
)

JOINED = f"""data = {_READINGS}
{_JOIN.format(every="duration(v: _every)")}
union(tables: [
  {_of(QUANTITIES)} |> joined(fn: mean, of: "mean"),
  {_of(QUANTITIES)} |> joined(fn: min, of: "min"),
  {_of(QUANTITIES)} |> joined(fn: max, of: "max"),
  {_of(("low_cpct",))} |> joined(fn: min, of: "min"),
  {_of(("high_cpct",))} |> joined(fn: max, of: "max"),
  {_of(("phase",))} |> joined(fn: last, of: "last"),
]) |> keep(columns: ["_time", "_field", "of", "_value"])"""
"""Readings joined over a width counted from 1970, as mean, least and greatest."""

HOURS = f"""data = {_READINGS}
{_JOIN.format(every="duration(v: _every)")}
union(tables: [
  {_of(tuple(f"{q}_{part}" for q in QUANTITIES for part in ("n", "sum")))} |> joined(fn: sum, of: "sum"),
  {_of((*(f"{q}_min" for q in QUANTITIES), "low_cpct_min"))} |> joined(fn: min, of: "min"),
  {_of((*(f"{q}_max" for q in QUANTITIES), "high_cpct_max"))} |> joined(fn: max, of: "max"),
  {_of(("phase_last",))} |> joined(fn: last, of: "last"),
]) |> keep(columns: ["_time", "_field", "of", "_value"])"""
"""The same from the hours that the tasks made, after the readings themselves were let go. Sums and counts, so that a mean stays a mean."""


def task(name: str, every: str, back: str, raw: str, hours: str) -> str:
    """A task that joins whole hours of the raw bucket and writes them into the bucket of hours. Doing so again changes nothing.

    `back`: from how long ago; a vehicle that was out of reach sends later than the hour in which it measured.
    """
    parts = [(f"{_of(QUANTITIES)}", fn, of) for fn, of in (("count", "n"), ("sum", "sum"), ("min", "min"), ("max", "max"))]
    parts += [(_of(("low_cpct",)), "min", "min"), (_of(("high_cpct",)), "max", "max"), (_of(("phase",)), "last", "last")]
    joined = ",\n  ".join(f'{of_data} |> joined(fn: {fn}, of: "{of}") |> toFloat()' for of_data, fn, of in parts)
    return f"""import "date"
option task = {{name: "{name}", every: {every}, offset: 5m}}
hour = date.truncate(t: now(), unit: 1h)
data = from(bucket: "{raw}") |> range(start: date.sub(from: hour, d: {back}), stop: hour) |> filter(fn: (r) => r._measurement == "reading")
{_JOIN.format(every="1h")}
union(tables: [
  {joined},
]) |> map(fn: (r) => ({{r with _field: r._field + "_" + r.of}})) |> drop(columns: ["of"]) |> to(bucket: "{hours}")
"""
