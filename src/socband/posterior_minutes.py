"""A track whose steps are no shorter than a minute, for the moves of `posterior`.

Each move judges all members on all evidence so far. In steps of ten seconds that is six times the
work of steps of a minute, and no more evidence: what a model leaves hardly moves within a minute
(`Settings.least_noise_v`). So members move by a log of minutes; bands and weights keep its own.
"""

from __future__ import annotations

import copy
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from socband import kernels as k
from socband.kernels_layout import MINUTE_S
from socband.track import Track

Array = np.ndarray

Run = TypeVar("Run")  # of `posterior`, a later room
_FIRST = (k.RC1_BEFORE, k.RC2_BEFORE)
_LAST = (k.RC1_END, k.RC2_END, k.RC3_END)
_MEAN = (k.SEEN_A, k.RC1_MEAN, k.RC2_MEAN, k.RC3_MEAN, k.RC3_LEFT)


@dataclass(frozen=True)
class Minutes:
    """Steps of a track taken together.

    Attributes:
        track: of them, with the drive given.
        patterns_on: (patterns, t) share of each in which an untracked load draws.
        ends: (t,) the last of the track's own steps in each.
    """

    track: Track
    patterns_on: Array
    ends: Array

    @classmethod
    def of(
        cls, track: Track, drive: Array, patterns_on: Array, last: int, cuts: Collection[int]
    ) -> Minutes | None:
        """The first steps of a track in minutes, or None where that would leave most as they are.

        Args:
            track: its voltages are those to be compared with.
            drive: (DRIVE_ROWS, >= last) with the voltage error of the steps.
            patterns_on: (patterns, >= last).
            last: steps that are taken.
            cuts: steps after which evidence comes in, which are left as they are.
        """
        dt_s, time_s = track.dt_s[:last], track.time_s[:last]
        minute = np.ceil((time_s - (time_s[0] - dt_s[0])) / MINUTE_S - 1e-6)
        gap = track.charge_var[:last] > 0.0
        begins = np.diff(minute, prepend=-1.0) != 0.0
        begins |= gap | np.concatenate([[False], gap[:-1]])
        alone = [step for after in cuts for step in (after, after + 1) if 0 <= step < last]
        begins[alone] = True
        starts = np.flatnonzero(begins)
        if len(starts) > 0.5 * last:
            return None
        ends = np.append(starts[1:], last) - 1
        span_s = np.add.reduceat(dt_s, starts)

        def mean(values: Array) -> Array:
            return np.add.reduceat(values[..., :last] * dt_s, starts, axis=-1) / span_s

        out = np.empty((k.DRIVE_ROWS, len(starts)))
        for rows, values in (
            (_FIRST, drive[:, starts]),
            (_LAST, drive[:, ends]),
            (_MEAN, mean(drive)),
        ):
            out[list(rows)] = values[list(rows)]
        out[k.SIGMA_E_V] = np.sqrt(mean(np.square(drive[k.SIGMA_E_V])))
        out[k.KEEP_E] = np.multiply.reduceat(drive[k.KEEP_E, :last], starts)
        # hysteresis: one step after the other, h -> keep·h + add
        out[k.HYST_KEEP], out[k.HYST_ADD] = 1.0, 0.0
        for nth in range(int(np.max(ends - starts)) + 1):
            some = starts + nth <= ends
            keep, add = drive[[k.HYST_KEEP, k.HYST_ADD]][:, starts[some] + nth]
            out[k.HYST_ADD, some] = keep * out[k.HYST_ADD, some] + add
            out[k.HYST_KEEP, some] *= keep
        volts = track.voltage_v[:last]
        good_s = np.where(np.isfinite(volts), dt_s, 0.0)
        with np.errstate(invalid="ignore"):  # a minute without any voltage: NaN
            seen_v = np.add.reduceat(np.nan_to_num(volts) * good_s, starts)
            seen_v = seen_v / np.add.reduceat(good_s, starts)
        merged = replace(
            track,
            time_s=time_s[ends],
            dt_s=span_s,
            drive=out,
            voltage_v=seen_v,
            temperature_c=mean(track.temperature_c),
            hour=mean(track.hour),
            charge_var=np.add.reduceat(track.charge_var[:last], starts),
        )
        return cls(merged, np.ascontiguousarray(mean(patterns_on)), ends)


def in_minutes(run: Run, last: int) -> tuple[Run, int]:
    """A run of `posterior` up to a step in steps of a minute, and how many those are.

    Itself, and `last`, where its steps are about as long.
    """
    given = replace(run.track, voltage_v=run.voltage_v)
    merged = Minutes.of(given, run.drive, run.patterns_on, last, run.evidence)
    if merged is None:
        return run, last
    short = copy.copy(run)
    short.track, short.patterns_on = merged.track, merged.patterns_on
    short.drive, short.voltage_v = merged.track.drive, merged.track.voltage_v
    step_of = {int(end): step for step, end in enumerate(merged.ends)} | {-1: -1}
    short.evidence = {step_of[i]: pieces for i, pieces in run.evidence.items() if i < last}
    short.missed = dict.fromkeys(short.evidence, 0.0)  # the run itself has noted what was missed
    return short, len(merged.track)
