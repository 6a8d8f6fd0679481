"""What the filter costs: per member and step, against a filterpy loop, and whole runs.

    python benchmarks/filter_speed.py            all of it, about a minute
    python benchmarks/filter_speed.py --brief    without the 24 h at 10 s

Ratios are what counts; times are of the machine it runs on. Everything is warm (compiled code
loaded) and the best of a few repeats, but the whole run at 10 s, which is done once.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable

import numpy as np
from simulated_truth import STEP_S, prior, simulate

from socband import kernels as k
from socband.logs import Log
from socband.models import CellModel, load_cell
from socband.posterior import Settings, _Run, condition
from socband.track import Scale, Track
from socband.unknowns import score_matrix


def best_of(job: Callable[[], object], repeats: int = 5) -> float:
    """Least wall time of a few repeats [s]."""
    least = np.inf
    for _ in range(repeats):
        start = time.perf_counter()
        job()
        least = min(least, time.perf_counter() - start)
    return least


def a_track(cell: CellModel, step_s: float, hours: float = 24.0) -> Track:
    """One simulated house, its log held at `step_s`."""
    one = next(t for t in simulate(cell, "other", 8, 3).tracks if t.voltage_v.min() > 3.0)
    time_s = np.arange(0.0, hours * 3600.0 + 1.0, step_s)
    at = np.minimum((time_s / STEP_S).astype(int), len(one) - 1)
    noise = 0.001 * np.random.default_rng(0).standard_normal(len(time_s))
    log = Log("house", time_s, one.current_a[at], one.voltage_v[at] + noise)
    return Track.from_log(log, cell, Scale(), 22.0, step_s=step_s, start_hour=18.0)


def filterpy_s_per_step(steps: int = 300) -> float:
    """Seconds per step of one filterpy filter of the same size: predict, Jacobian given, update."""
    from filterpy.kalman import ExtendedKalmanFilter

    kf = ExtendedKalmanFilter(dim_x=5, dim_z=1, dim_u=1)
    kf.F, kf.Q, kf.R = 0.99 * np.eye(5), 1e-6 * np.eye(5), np.array([[1e-6]])
    kf.B, jacobian = np.ones((5, 1)) * 1e-4, np.array([[0.1, 0.02, 0.05, 0.004, 0.01]])
    u, z = np.array([[0.1]]), np.array([[0.0]])

    def loop() -> None:
        for _ in range(steps):
            kf.predict(u=u)
            kf.update(z, lambda x: jacobian, lambda x: jacobian @ x)

    loop()
    return best_of(loop) / steps


def kernel_s_per_step(cell: CellModel, n: int, steps: int, threads: int, keep: bool) -> float:
    """Seconds per member and step of the compiled filter."""
    track = a_track(cell, 60.0)
    run = _Run(track, cell, prior(cell), Settings(members=n), ())
    run.drive[k.SIGMA_E_V], run.drive[k.KEEP_E] = 0.004, 0.9
    state, parameters, pattern = run.start(score_matrix(1, n))
    shape = (steps, n) if keep else (0, 0)
    out = [np.zeros(shape) for _ in range(3)]
    part = slice(0, steps)

    def once() -> None:
        k.over_members(
            k.filter_range,
            n,
            state.copy(),
            parameters,
            pattern,
            track.dt_s[part],
            np.ascontiguousarray(run.drive[:, part]),
            track.voltage_v[part],
            track.temperature_c[part],
            np.ascontiguousarray(run.patterns_on[:, part]),
            track.charge_var[part],
            run.table,
            run.factors,
            run.common,
            *out,
            threads=threads,
        )

    once()
    return best_of(once) / n / steps


def main(arguments: list[str] | None = None) -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--brief", action="store_true", help="without the 24 h at 10 s")
    parser.add_argument("--cell", default="lfp-26650-2ah")
    o = parser.parse_args(arguments)
    cell = load_cell(o.cell)
    n, steps = 4096, 400
    one = kernel_s_per_step(cell, n, steps, 1, False)
    two = kernel_s_per_step(cell, n, steps, k.n_threads(), False)
    kept = kernel_s_per_step(cell, n, steps, k.n_threads(), True)
    reference = filterpy_s_per_step()
    print(
        f"compiled filter, ns per member and step: one thread {one * 1e9:.1f}, "
        f"{k.n_threads()} threads {two * 1e9:.1f}, with every step kept {kept * 1e9:.1f}"
    )
    print(
        f"filterpy, one member: {reference * 1e9:.0f} ns a step: {reference / two:.0f} times as "
        "long (its own arithmetic only; Jacobian and tables are not counted)"
    )
    minute = a_track(cell, 60.0)
    unknowns = prior(cell)
    open_ended = Settings(members=10_000, ess_share=0.0, moves=0)
    t = best_of(lambda: condition(minute, cell, unknowns, open_ended), 3)
    print(f"10,000 members, 24 h at 60 s, filter and bands, no moves: {t:.2f} s")
    for label, track in (("60 s", minute), *([] if o.brief else [("10 s", a_track(cell, 10.0))])):
        # looks at the slope of the OCV curve every 8 min whatever the step, as at 60 s
        settings = Settings(members=4000, chunk=round(480.0 / track.dt_s[0]))
        condition(track, cell, unknowns, Settings(members=64))
        start, cpu = time.perf_counter(), time.process_time()
        posterior = condition(track, cell, unknowns, settings)
        t, cpu = time.perf_counter() - start, time.process_time() - cpu
        print(
            f"4,000 members, 24 h at {label} ({len(track)} steps), all moves included: {t:.2f} s "
            f"({cpu:.1f} s of processor time); resampled {len(posterior.resampled_at_s)} times, "
            f"effective sample size: 5th "
            f"percentile {np.percentile(posterior.ess, 5):.0f}, least {posterior.ess.min():.0f}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
