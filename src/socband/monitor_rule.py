"""When a monitor takes a bank for full: the one rule, for numbers and arrays, plain or compiled."""

from __future__ import annotations


def says_full(voltage_v, current_a, above_v, below_a):
    """Voltage high and current low, either way: a bank under a load is not one that takes no more.

    How long it must hold is counted where it is asked. Common practice, no source. The arguments
    broadcast: of bank or cell alike [V], [A].
    """
    return (voltage_v >= above_v) & (abs(current_a) <= below_a)
