"""Moves by a log of minutes: the same steps as coarsening the log, and the same posterior."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from toys import EMPTY_V, SLOPE_V, straight_cell

from socband import kernels as k
from socband import posterior_foresight
from socband.cell import simulate
from socband.evidence import ClampReading
from socband.logs import Log
from socband.models import load_cell
from socband.posterior import Settings, _Run, condition
from socband.posterior_minutes import Minutes, in_minutes
from socband.quantity import Quantity
from socband.track import Scale, Track
from socband.unknowns import Unknowns, score_matrix

ROWS = [row for row in range(k.DRIVE_ROWS) if row not in (k.SIGMA_E_V, k.KEEP_E)]


def a_log(hours: float = 3.0) -> Log:
    """Rows of 10 s with loads that come and go, a gap of an hour, and a voltage now and then."""
    cell = load_cell("lfp-26650-2ah")
    rng = np.random.default_rng(4)
    time_s = np.arange(0.0, hours * 3600.0 + 1.0, 10.0)
    time_s[len(time_s) // 2 :] += 3600.0
    current_a = np.repeat(rng.normal(-0.3, 0.6, len(time_s) // 7 + 1), 7)[: len(time_s)]
    voltage_v = simulate(cell, time_s, current_a, 20.0, 0.7).voltage_v
    voltage_v[rng.random(len(time_s)) < 0.3] = np.nan
    return Log("rows", time_s, current_a, voltage_v)


def tracks() -> tuple[Track, Track]:
    """The same log in steps of 10 s and of a minute, with a voltage error of the steps."""
    cell = load_cell("lfp-26650-2ah")
    made = [
        Track.from_log(a_log(), cell, Scale(), 20.0, step_s=step_s, start_hour=20.0)
        for step_s in (10.0, 60.0)
    ]
    for track in made:
        track.drive[k.SIGMA_E_V] = 0.003
        track.drive[k.KEEP_E] = np.exp(-track.dt_s / 600.0)
    return made[0], made[1]


def test_steps_taken_together_are_those_of_a_coarser_log() -> None:
    """Against `Track.from_log` at 60 s, which goes through the log's own rows."""
    fine, coarse = tracks()
    merged = Minutes.of(fine, fine.drive, np.ones((1, len(fine))), len(fine), ())
    assert merged is not None
    assert len(merged.track) == len(coarse) < 0.25 * len(fine)
    np.testing.assert_allclose(merged.track.drive, coarse.drive, rtol=1e-9, atol=1e-12)
    for name in ("time_s", "dt_s", "temperature_c", "hour", "charge_var", "voltage_v"):
        got, wanted = getattr(merged.track, name), getattr(coarse, name)
        if name == "voltage_v":  # a minute's mean over the readings it has, of each step alike
            assert np.array_equal(np.isnan(got), np.isnan(wanted))
        np.testing.assert_allclose(got, wanted, rtol=1e-9, atol=1e-12, err_msg=name)


def test_steps_of_a_minute_or_longer_are_left_alone() -> None:
    _, coarse = tracks()
    assert Minutes.of(coarse, coarse.drive, np.ones((1, len(coarse))), 50, ()) is None


def test_a_step_with_evidence_stays_as_it_is() -> None:
    fine, _ = tracks()
    merged = Minutes.of(fine, fine.drive, np.ones((1, len(fine))), 200, (-1, 100, 199))
    assert merged is not None
    assert {99, 100, 198, 199} <= set(merged.ends.tolist())


def settings_of(**changes: float) -> Settings:
    return replace(
        Settings(members=2000, seed=3, eta=1.0, error_scale=1.0, tau_scale=1.0), **changes
    )


UNKNOWNS = Unknowns(
    start_soc=Quantity.from_dist("norm", loc=0.6, scale=0.15),
    offset_a=Quantity.from_dist("norm", loc=0.0, scale=0.02),
    gain_error=Quantity.from_dist("norm", loc=0.0, scale=0.01),
    untracked_probability=0.0,
    untracked_a=Quantity.from_number(0.0),
    capacity_fraction=Quantity.from_number(1.0),
    resistance_factor=Quantity.from_number(1.0),
    hysteresis_start=Quantity.from_number(0.0),
    temperature_offset_k=Quantity.from_number(0.0),
)


@pytest.mark.parametrize("clamp", [False, True])
def test_moves_by_minutes_end_at_the_same_posterior(clamp: bool) -> None:
    """A straight cell in steps of 10 s, resampled and moved, against steps of a minute throughout.

    Both are the posterior of the same evidence: the deviation of the charge within five standard
    errors of each other, the middle within five of its own.
    """
    cell = straight_cell(std_v=0.01, tau_s=300.0)
    time_s = np.arange(0.0, 6 * 3600.0 + 1.0, 10.0)
    amps = np.where(time_s % 1800.0 < 900.0, -0.15, 0.05)
    charge = 0.65 + np.concatenate([[0.0], np.cumsum(amps[1:] * 10.0)]) / (3600.0 * 2.0)
    volts = EMPTY_V + SLOPE_V * charge + cell.r0.ref_ohm * amps
    log = Log("straight", time_s, amps, volts)
    pieces = [ClampReading(7500.0, -0.15, 0.01)] if clamp else []
    found = [
        condition(
            Track.from_log(log, cell, Scale(), 25.0, step_s=step_s),
            cell, UNKNOWNS, settings_of(chunk=chunk), pieces,
        )
        for step_s, chunk in ((10.0, 48), (60.0, 8))
    ]  # fmt: skip
    assert min(len(one.resampled_at_s) for one in found) >= 2
    fine, coarse = found
    ess = min(one.ess[-1] for one in found)
    assert abs(fine.mean[-1] - coarse.mean[-1]) < 5.0 * coarse.std[-1] * np.sqrt(2.0 / ess)
    assert abs(fine.std[-1] / coarse.std[-1] - 1.0) < 5.0 / np.sqrt(ess)


def test_a_run_in_minutes_is_another_run() -> None:
    cell = straight_cell()
    fine, coarse = tracks()
    run = _Run(fine, cell, UNKNOWNS, settings_of(), [ClampReading(600.0, -0.3, 0.1)])
    run.drive[:] = fine.drive
    short, steps = in_minutes(run, 200)
    assert short is not run
    assert steps == len(short.track) < 60
    assert run.track is fine
    assert list(run.evidence) != list(short.evidence)
    long = _Run(coarse, cell, UNKNOWNS, settings_of(), [])
    assert in_minutes(long, 50) == (long, 50)


def test_moves_replay_no_minute_twice(monkeypatch) -> None:
    """What replaying every member from the start gives, gap and reading included; not its last
    digits: a member rounds by where it stands in a vector.
    """
    cell = load_cell("lfp-26650-2ah")
    fine, _ = tracks()
    pieces, settings = [ClampReading(6010.0, -0.3, 0.1)], settings_of(members=128)
    first_steps, advance = [], _Run.advance

    def noted(run, *given, keep):
        first_steps.append((run.track is fine, given[-2]))
        return advance(run, *given, keep=keep)

    monkeypatch.setattr(_Run, "advance", noted)
    once = condition(fine, cell, UNKNOWNS, settings, pieces)
    begun = first_steps.count((False, 0))
    first_steps.clear()
    nothing = property(lambda run: (0, None), lambda run, value: None)
    monkeypatch.setattr(_Run, "replayed", nothing, raising=False)
    twice = condition(fine, cell, UNKNOWNS, settings, pieces)
    moved, rest = divmod(first_steps.count((False, 0)), settings.moves + 1)
    assert moved >= 3 and rest == 0
    assert begun == moved * settings.moves + 1
    for name in ("quantiles", "std", "ess", "state", "scores"):
        np.testing.assert_allclose(getattr(once, name), getattr(twice, name), rtol=1e-9, atol=1e-12)


def test_the_error_ahead_is_looked_at_once_a_minute(monkeypatch) -> None:
    """Steps of 10 s: within 3 % of a minute's mean of what a look at every step gives."""
    cell = load_cell("lfp-26650-2ah")
    fine, coarse = tracks()
    assert [posterior_foresight.steps_in_a_minute(t) for t in (fine, coarse)] == [6, 1]

    def error_v() -> tuple[np.ndarray, np.ndarray]:
        run = _Run(fine, cell, UNKNOWNS, settings_of(members=50), [])
        state, _, _ = run.start(score_matrix(1, 50))
        posterior_foresight.foresee(run, state, np.full(50, 0.02), 12, 96)
        return run.drive[k.SIGMA_E_V, 12:96], run.drive[k.KEEP_E, 12:96]

    once, kept = error_v()
    minutes = once.reshape(-1, 6)
    assert np.ptp(minutes, axis=1).max() == 0.0 < np.ptp(minutes[:, 0])
    monkeypatch.setattr(posterior_foresight, "steps_in_a_minute", lambda track: 1)
    every, kept_every = error_v()
    np.testing.assert_allclose(minutes[:, 0], every.reshape(-1, 6).mean(axis=1), rtol=0.03)
    np.testing.assert_allclose(kept, kept_every, rtol=1e-3)
