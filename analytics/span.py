"""A `Span`: up to a minute of readings in one value. Everything slower than the estimator lives on spans, so it costs a sixtieth.

A span closes with the first reading at least `SPAN_MS` after its beginning, or when time goes by without one. Where a sensor speaks
only about once a minute and nothing changes, it goes on to the end of the five minutes of the clock, or of the quarter of an hour where
nothing is at stake; the first reading that differs closes it, and a span that began with a change is closed as early as ever.
"""

from typing import NamedTuple

from analytics.reading import Reading
from analytics.value import new

SPAN_MS = 60_000
"""Judgement: short enough that a warning is never a minute late, long enough that a burst of seconds is not a state."""
CALM_MS = 300_000
"""Of the clock. Judgement: as often as the rules are judged while nothing changes."""
IDLE_MS = 900_000
"""The same where besides nothing is at stake (`analytics.core`). Both divide an hour, so no span lies across one."""
SPARSE_MS = 20_000
"""Readings closer than this fill a span of a minute by themselves. Judgement."""
ALIKE_V = 0.024
"""Six cells. Judgement: 24 mV is less than any load, charger or end of one moves a voltage."""
ALIKE_C = 0.005
"""Of the rated capacity per hour. Judgement: 0.5 A of 100 Ah is less than a lamp, and what it moves in five minutes cannot be seen."""
ALIKE_K = 3.0
"""Judgement: no battery changes faster in minutes; what does is a failing thermometer."""


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
    return new(OpenSpan, (reading.at_ms, reading.at_ms, 1, v, v, v, v, i, a, a, a, reading.temperature_c, gap_ms))


def grown(span: OpenSpan, reading: Reading) -> OpenSpan:
    begin, _, count, v_sum, v_low, v_high, _, i_sum, i_low, i_high, i_last, temperature, gap = span
    _, at_ms, v, i, celsius, _, _, _, _ = reading
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
    if celsius is not None:
        temperature = celsius
    return new(OpenSpan, (
        begin, at_ms, count + 1, v_sum + v, v if v < v_low else v_low, v if v > v_high else v_high, v,
        i_sum, i_low, i_high, i_last, temperature, gap,
    ))  # fmt: skip


def alike(span: OpenSpan, before: Span | None, reading: Reading, volts: float, amps: float) -> bool:
    """Whether nothing changes: the reading says what the span says, and the span, when it began, what the one before did.

    `volts` and `amps`: how far apart is still alike, for the whole battery. A sensor that speaks often has no such spans.
    """
    _, at_ms, v, a, temperature, _, _, _, _ = reading
    begin_ms, end_ms, _, _, low_v, high_v, _, a_sum, low_a, high_a, last_a, last_c, _ = span
    if at_ms - end_ms < SPARSE_MS or not high_v - volts < v < low_v + volts:
        return False
    if a is None or a_sum is None:
        if a is not None or a_sum is not None:
            return False
    elif not high_a - amps < a < low_a + amps:
        return False
    if temperature is not None and (last_c is None or not -ALIKE_K < temperature - last_c < ALIKE_K):
        return False
    if end_ms - begin_ms >= SPAN_MS:
        return True
    if before is None or begin_ms - before.end_ms > CALM_MS or not before.voltage_v - volts < low_v <= high_v < before.voltage_v + volts:
        return False
    was_a = before.current_a
    if a_sum is None or was_a is None:
        if a_sum is not was_a:
            return False
    elif not was_a - amps < last_a < was_a + amps:
        return False
    return _alike_c(last_c, before.temperature_c)


def _alike_c(now_c: float | None, was_c: float | None) -> bool:
    """No temperature is no news: many sensors tell it only now and then."""
    return now_c is None or (was_c is not None and -ALIKE_K < now_c - was_c < ALIKE_K)


def closed(span: OpenSpan) -> Span:
    begin_ms, end_ms, n, v_sum, low_v, high_v, last_v, a_sum, low_a, high_a, last_a, temperature, gap_ms = span
    if a_sum is None:
        return Span(begin_ms, end_ms, n, v_sum / n, low_v, high_v, last_v, None, None, None, None, temperature, gap_ms)
    return new(Span, (begin_ms, end_ms, n, v_sum / n, low_v, high_v, last_v, a_sum / n, low_a, high_a, last_a, temperature, gap_ms))
