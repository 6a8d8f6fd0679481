"""When a monitor takes a bank for full: the one rule, for numbers and arrays, plain or compiled."""

from __future__ import annotations

from math import inf


def says_full(voltage_v, current_a, above_v, below_a):
    """Voltage high and current low, either way: a bank under a load is not one that takes no more.

    How long it must hold: see `full_since`. Common practice, no source. The arguments broadcast: of
    bank or cell alike [V], [A].
    """
    return (voltage_v >= above_v) & (abs(current_a) <= below_a)


def full_since(since_s, time_s, full):
    """When a full began that stands at `time_s`, infinity without one [s].

    It has held since the first moment at which the rule was seen to hold; what came between the
    moment before and that one nobody saw. Full once it has held for `for_s`: at `since_s + for_s`.

    Args:
        since_s: this function's last answer, at the start infinity.
        time_s: of this moment.
        full: of `says_full` at it.
    """
    return min(since_s, time_s) if full else inf
