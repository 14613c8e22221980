"""A `Span`: up to a minute of readings in one value. Everything slower than the estimator lives on spans, so it costs a sixtieth.

A span closes with the first reading at least `SPAN_MS` after its beginning, or when time goes by without one.
"""

from typing import NamedTuple

from analytics.reading import Reading

SPAN_MS = 60_000
"""Judgement: short enough that a warning is never a minute late, long enough that a burst of seconds is not a state."""


class Span(NamedTuple):
    """From the first to the last reading of a stretch. Charge is integrated inside it only; `gap_ms` is the silence before it."""

    begin_ms: int
    end_ms: int
    readings: int
    voltage_v: float
    """Mean."""
    voltage_low_v: float
    voltage_high_v: float
    voltage_last_v: float
    current_a: float | None
    """Mean; None if any reading lacked it."""
    current_low_a: float | None
    current_high_a: float | None
    current_last_a: float | None
    temperature_c: float | None
    """Last known within the span."""
    gap_ms: int
    """From the last reading of the span before to the first of this one; 0 for the first ever."""


class OpenSpan(NamedTuple):
    """A span still being filled: sums instead of means."""

    begin_ms: int
    end_ms: int
    readings: int
    voltage_sum: float
    voltage_low_v: float
    voltage_high_v: float
    voltage_last_v: float
    current_sum: float | None
    current_low_a: float
    current_high_a: float
    current_last_a: float
    temperature_c: float | None
    gap_ms: int


def opened(reading: Reading, last_ms: int | None) -> OpenSpan:
    v, i = reading.voltage_v, reading.current_a
    a = 0.0 if i is None else i
    gap_ms = 0 if last_ms is None else reading.at_ms - last_ms
    return OpenSpan(reading.at_ms, reading.at_ms, 1, v, v, v, v, i, a, a, a, reading.temperature_c, gap_ms)


def grown(span: OpenSpan, reading: Reading) -> OpenSpan:
    begin, _, count, v_sum, v_low, v_high, _, i_sum, i_low, i_high, i_last, temperature, gap = span
    v, i = reading.voltage_v, reading.current_a
    if i is None:
        i_sum = None
    else:
        i_last = i
        if i < i_low:
            i_low = i
        elif i > i_high:
            i_high = i
        if i_sum is not None:
            i_sum += i
    if reading.temperature_c is not None:
        temperature = reading.temperature_c
    return OpenSpan(
        begin,
        reading.at_ms,
        count + 1,
        v_sum + v,
        v if v < v_low else v_low,
        v if v > v_high else v_high,
        v,
        i_sum,
        i_low,
        i_high,
        i_last,
        temperature,
        gap,
    )


def closed(span: OpenSpan) -> Span:
    n, i_sum = span.readings, span.current_sum
    known = i_sum is not None
    return Span(
        span.begin_ms,
        span.end_ms,
        n,
        span.voltage_sum / n,
        span.voltage_low_v,
        span.voltage_high_v,
        span.voltage_last_v,
        i_sum / n if i_sum is not None else None,
        span.current_low_a if known else None,
        span.current_high_a if known else None,
        span.current_last_a if known else None,
        span.temperature_c,
        span.gap_ms,
    )
