"""The bench: same numbers whatever runs it, nothing lost, and its answer in the promised form."""

from __future__ import annotations

import json
import os
import signal
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from socband import bench_report
from socband.bench import Context, GridCell, make_context, record_bands, run_bench, run_cell
from socband.bench_pool import pooled_scores
from socband.bench_store import Store
from socband.cell import simulate
from socband.datasets import BenchRecord, Cutoff
from socband.errors import InputError
from socband.estimators import Prior, band_dataset, estimator_names, load_estimator
from socband.estimators.ekf import Ekf
from socband.estimators.filter_model import Noise
from socband.executors import Dask, Pool, Serial, WorkerLost, executor_from
from socband.forecast_scores import Naive, score_disconnect
from socband.logs import Log
from socband.models import load_cell
from socband.scoring import LEVELS, QUANTILES, coverage_bounds

CELL = "lfp-26650-2ah"
NAMES = ["display", "open_loop", "ekf"]


def _record(name: str, seed: int, step_s: float = 300.0) -> BenchRecord:
    """Eight hours of a made-up load on the model itself: truth without model error."""
    cell = load_cell(CELL)
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, 8 * 3600.0 + step_s, step_s)
    current_a = -np.repeat(rng.uniform(0.0, 0.22, len(time_s) // 4 + 1) * cell.capacity_ah, 4)
    current_a = current_a[: len(time_s)]
    run = simulate(cell, time_s, current_a, 25.0, 1.0)
    voltage = run.voltage_v + 0.001 * rng.standard_normal(len(time_s))
    log = Log(name, time_s, current_a, voltage, true_soc=run.soc)
    return BenchRecord(name, log, CELL, cell.capacity_ah, 25.0, cutoff=Cutoff(2.0, 0.0))


@pytest.fixture(scope="module")
def context() -> Context:
    return make_context([_record("one", 1), _record("two", 2)], seed=5, step_s=0)


@pytest.fixture(scope="module")
def serial(context: Context):
    return run_bench(context, NAMES, 3)


def _same(a, b) -> None:
    for name in a.data_vars:
        if name != "us_per_step":
            np.testing.assert_array_equal(a[name].values, b[name].values, err_msg=name)


# ---------------------------------------------------------------- same numbers


def test_the_grid_does_not_depend_on_what_else_is_on_it(context: Context, serial) -> None:
    alone = run_bench(context, ["ekf"], 2)
    _same(alone, serial.sel(estimator=["ekf"]).isel(fault=slice(2)))
    other = make_context([_record("two", 2)], seed=5, step_s=0)
    _same(run_bench(other, ["open_loop"], 3), serial.sel(estimator=["open_loop"], record=["two"]))


def test_another_seed_gives_other_numbers(context: Context, serial) -> None:
    other = run_bench(replace(context, seed=6), ["open_loop"], 3)
    assert not np.any(other["mae"].values[0] == serial["mae"].sel(estimator="open_loop").values)


def test_process_pool_gives_the_serial_numbers(context: Context, serial) -> None:
    _same(run_bench(context, NAMES, 3, Pool(2)), serial)


def _dies_once(context: Path, item: int) -> int:
    """Kills its own process the first time it meets item 3, like an operator would."""
    mark = context / "died"
    if item == 3 and not mark.exists():
        mark.write_text("")
        os.kill(os.getpid(), signal.SIGKILL)
    return item * item


def _dies_always(context: Path, item: int) -> int:
    if item == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return item * item


def test_pool_survives_a_killed_worker_and_loses_nothing(tmp_path: Path) -> None:
    got = dict(Pool(2).run(_dies_once, tmp_path, range(20)))
    assert got == {k: k * k for k in range(20)}


def test_pool_gives_up_on_what_kills_every_worker_and_finishes_the_rest(tmp_path: Path) -> None:
    got = dict(Pool(1).run(_dies_always, tmp_path, range(6)))
    assert isinstance(got.pop(3), WorkerLost)
    assert got == {k: k * k for k in range(6) if k != 3}


@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.filterwarnings("ignore::UserWarning")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_dask_gives_the_serial_numbers_and_survives_a_kill(
    context: Context, serial, tmp_path: Path
) -> None:
    distributed = pytest.importorskip("distributed", reason="dask is not installed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50
    ) as cluster:
        _same(run_bench(context, NAMES, 3, Dask(cluster)), serial)
        got = dict(Dask(cluster).run(_dies_once, tmp_path, range(12)))
    assert got == {k: k * k for k in range(12)}


def test_executor_flags() -> None:
    assert executor_from() == Serial()
    assert executor_from(workers=3) == Pool(3)
    assert executor_from(dask="tcp://x:1") == Dask("tcp://x:1")
    for wrong in ({"workers": 0}, {"workers": 2, "dask": "x"}):
        with pytest.raises(InputError):
            executor_from(**wrong)


# ---------------------------------------------------------------- resume


class _Stopped(Exception):
    pass


@dataclass
class _StopsAfter:
    """An executor whose plug is pulled after some cells; counts what it was given."""

    cells: int
    ran: int = 0

    def run(self, work, context, items):
        for item in items:
            if self.ran == self.cells:
                raise _Stopped
            self.ran += 1
            yield item, work(context, item)


def test_a_stopped_run_resumes_where_it_was(context: Context, serial, tmp_path: Path) -> None:
    save = tmp_path / "out.nc"
    with pytest.raises(_Stopped):
        run_bench(context, NAMES, 3, _StopsAfter(7), save)
    assert not save.exists()  # nothing half-written under the name asked for
    part = tmp_path / "out.nc.part"
    with part.open("a") as journal:
        journal.write('{"cell": ["ekf", "one", 2], "row": {"mae": 0.0')  # cut off by a crash
    rest = _StopsAfter(1000)
    _same(run_bench(context, NAMES, 3, rest, save), serial)
    assert rest.ran == 18 - 7
    assert save.exists()
    assert not part.exists()
    again = _StopsAfter(1000)
    _same(run_bench(context, NAMES, 3, again, save), serial)
    assert again.ran == 0


def test_a_run_may_be_enlarged_and_keeps_what_it_has(
    context: Context, serial, tmp_path: Path
) -> None:
    save = tmp_path / "out.nc"
    run_bench(context, ["display", "open_loop"], 2, save=save)
    more = _StopsAfter(1000)
    grown = run_bench(context, ["ekf"], 3, more, save)
    assert more.ran == 6
    assert set(grown["estimator"].values) == set(NAMES)
    run_bench(context, NAMES, 3, save=save)
    _same(run_bench(context, NAMES, 3, save=save).sel(estimator=NAMES), serial)


def test_scores_of_another_bench_are_refused(context: Context, tmp_path: Path) -> None:
    save = tmp_path / "out.nc"
    run_bench(context, ["display"], 1, save=save)
    before = save.read_bytes()
    with pytest.raises(InputError, match="another bench"):
        run_bench(replace(context, seed=6), ["display"], 1, save=save)
    assert save.read_bytes() == before
    (tmp_path / "text.nc").write_text("not a result")
    with pytest.raises(InputError, match="a result of"):
        run_bench(context, ["display"], 1, save=tmp_path / "text.nc")
    with pytest.raises(InputError, match="existing folder"):
        run_bench(context, ["display"], 1, save=tmp_path / "no" / "out.nc")


def test_scores_at_another_temperature_are_of_another_bench(tmp_path: Path) -> None:
    """Also of the same mean: the record warms up, or cools down."""
    save, record = tmp_path / "out.nc", _record("one", 1)
    warming_c = np.linspace(10.0, 20.0, len(record.log))
    for temperature_c in (warming_c, warming_c[::-1]):
        log = replace(record.log, temperature_c=temperature_c)
        made = make_context([replace(record, log=log)], 5, 0)
        if not save.exists():
            run_bench(made, ["display"], 1, save=save)
            continue
        with pytest.raises(InputError, match="another bench"):
            run_bench(made, ["display"], 1, save=save)


def test_a_result_that_cannot_be_written_leaves_nothing_but_its_journal(
    context: Context, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half the bytes and then a full disk: the journal goes on where it was."""
    write = Path.write_bytes

    def refuse(self: Path, content: bytes) -> int:
        write(self, content[: len(content) // 2])
        raise OSError(28, "No space left on device", str(self))

    save = tmp_path / "out.nc"
    with monkeypatch.context() as full:
        full.setattr(Path, "write_bytes", refuse)
        with pytest.raises(OSError, match="No space"):
            run_bench(context, ["display"], 1, save=save)
    assert [path.name for path in tmp_path.iterdir()] == ["out.nc.part"]
    again = _StopsAfter(0)
    run_bench(context, ["display"], 1, again, save)
    assert [path.name for path in tmp_path.iterdir()] == ["out.nc"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_a_journal_on_a_full_disk_names_itself(context: Context, tmp_path: Path) -> None:
    """A plain write says no file; nothing is run whose scores nobody could keep."""
    part = tmp_path / "out.nc.part"
    part.symlink_to("/dev/full")
    none = _StopsAfter(0)
    with pytest.raises(OSError, match="No space left on device") as caught:
        run_bench(context, ["display"], 1, none, tmp_path / "out.nc")
    assert caught.value.filename == str(part)
    assert none.ran == 0
    assert [path.name for path in tmp_path.iterdir()] == ["out.nc.part"]


def test_a_changed_estimator_file_is_run_again(context: Context, tmp_path: Path) -> None:
    own = tmp_path / "own.py"
    text = "from socband.estimators.display import Display\nclass Own(Display):\n    pass\n"
    own.write_text(text)
    name, save = f"{own}:Own", tmp_path / "out.nc"
    run_bench(context, [name], 1, save=save)
    own.write_text(text + "# better\n")
    again = _StopsAfter(1000)
    run_bench(context, [name], 1, again, save)
    assert again.ran == 2
    made = make_context(list(context.records.values()), 5, 0, {"mine": Ekf(Noise(0.01, 0.02))})
    run_bench(made, ["mine"], 1, save=tmp_path / "made.nc")
    made = make_context(list(context.records.values()), 5, 0, {"mine": Ekf(Noise(0.01, 0.03))})
    again = _StopsAfter(1000)
    run_bench(made, ["mine"], 1, again, tmp_path / "made.nc")
    assert again.ran == 2


# ---------------------------------------------------------------- memory


def test_memory_does_not_grow_with_the_grid(context: Context, tmp_path: Path) -> None:
    """10,000 grid cells: what the store holds stays below a few megabytes (issue 4).

    Traced by tracemalloc while rows pass through; 100 cells and 10,000 differ by less than 8 MB,
    which is what 10,000 fixed rows of some 70 numbers take.
    """
    import tracemalloc

    row = run_cell(context, GridCell("display", "one", 0))

    def peak(faults: int) -> int:
        store = Store.open(context, ["display"], faults, tmp_path / f"{faults}.nc")
        tracemalloc.start()
        with store:
            for fault in range(faults):
                for record in ("one", "two"):
                    store.put(GridCell("display", record, fault), dict(row))
        top = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return top

    assert peak(5000) - peak(50) < 1e6  # the arrays themselves are made before tracing
    arrays = Store.open(context, ["display"], 5000, None).dataset().nbytes
    assert arrays < 8e6


def test_an_executor_takes_items_lazily() -> None:
    taken = []

    def items():
        for k in range(10_000):
            taken.append(k)
            yield k

    running = Pool(1).run(_square, None, items())
    next(running)
    running.close()
    assert len(taken) <= 10


def _square(context: None, item: int) -> int:
    return item * item


# ---------------------------------------------------------------- what it measures


def test_open_loop_is_honest_where_faults_come_from_its_prior(context: Context) -> None:
    """Coverage of 160 independent faults at their last step within the binomial bounds.

    The last step of each log, so that the trials are independent; 99.9 % bounds. Not in the prior
    of the open loop, so left out here: dead band and lost samples.
    """
    inside = 0
    n = 160
    for k in range(n):
        record = ("one", "two")[k % 2]
        fault, _ = context.view(record, k)
        from socband.estimators.open_loop import OpenLoop
        from socband.faults import apply_fault, stream

        clean = replace(fault, dead_band_a=0.0, gaps=(), soc0_error=0.5 * fault.soc0_error)
        prior = replace(context.priors[record], soc0_std=0.04)
        view = apply_fault(context.records[record].log, clean, prior)
        answer = OpenLoop(500).estimate(view.log, None, view.prior, stream(k))
        low = answer["soc_quantile"].sel(quantile=0.05).values[-1]
        high = answer["soc_quantile"].sel(quantile=0.95).values[-1]
        inside += low <= view.truth_soc[-1] <= high
    low, high = coverage_bounds(0.9, n, level=0.999)
    assert low <= inside / n <= high


@dataclass(frozen=True)
class _Oracle:
    """States N(truth, 0.01²): it knows the truth of one record, to test the bench itself."""

    truth: tuple[float, ...]

    def estimate(self, log: Log, cell, prior: Prior, rng: np.random.Generator):
        from scipy.special import ndtri

        middle = np.array(self.truth)[-len(log) :] + 0.01 * rng.standard_normal(len(log))
        return band_dataset(log, middle[:, None] + 0.01 * ndtri(np.array(QUANTILES)))


class _Broken:
    def estimate(self, log, cell, prior, rng):
        raise RuntimeError("no")


def test_an_oracle_scores_as_it_must_and_a_failure_is_counted() -> None:
    record = _record("one", 1, step_s=60.0)
    truth = tuple(record.log.true_soc.tolist())
    made = {"oracle": _Oracle(truth), "broken": _Broken()}
    context = make_context([record], 0, 0, made)
    # Lost samples would shift the oracle's rows: take faults without any.
    faults = [k for k in range(30) if not context.view("one", k)[0].gaps][:3]
    rows = [run_cell(context, GridCell("oracle", "one", k)) for k in faults]
    at_90 = [row["coverage"][LEVELS.index(0.9)] for row in rows]
    n = sum(len(context.view("one", k)[1].log) for k in faults)
    low, high = coverage_bounds(0.9, n, level=0.9999)
    assert low <= np.mean(at_90) <= high + 0.02  # clipped at 0..1, some intervals cover more
    # E|N(0, σ²)| = σ·√(2/π); six standard errors.
    assert np.mean([row["mae"] for row in rows]) == pytest.approx(
        0.01 * np.sqrt(2 / np.pi), abs=6 * 0.01 * 0.603 / np.sqrt(n)
    )
    scores = run_bench(context, ["broken"], 2)
    answer = pooled_scores(scores)
    assert answer["pooled"] == []
    assert answer["failures"][-1] == "2 in all"
    assert "RuntimeError: no" in answer["failures"][0]


@dataclass(frozen=True)
class _Asked:
    """Does as it is told: leaves the program, turns its quantiles or its probabilities round."""

    how: str

    def estimate(self, log, cell, prior, rng):
        if self.how == "leaves":
            raise SystemExit(7)
        quantiles = np.tile(np.linspace(0.2, 0.8, len(QUANTILES)), (len(log), 1))
        if self.how == "falling":
            quantiles = quantiles[:, ::-1]
        answer = band_dataset(log, quantiles)
        return answer.isel(quantile=slice(None, None, -1)) if self.how == "turned" else answer


@pytest.mark.parametrize(
    ("how", "says"),
    [
        ("leaves", "SystemExit: 7"),
        ("falling", "quantiles that fall as their probability rises"),
        ("turned", "expected ascending ones within 0 and 1"),
    ],
)
def test_an_estimator_that_breaks_its_contract_fails_and_stops_nothing(how, says) -> None:
    """Leaving the program as well; and quantiles that are none are not scored as if they were."""
    made = {"own": _Asked(how), "sound": _Asked("")}
    context = make_context([_record("one", 1)], 0, 0, made)
    scores = run_bench(context, ["own", "sound"], 2)
    answer = pooled_scores(scores)
    assert [row["estimator"] for row in answer["pooled"]] == ["sound"]
    assert says in answer["failures"][0]
    assert answer["failures"][-1] == "2 in all"
    assert record_bands(context, ["own", "sound"], "one", 0) is not None


def test_an_estimator_whose_file_leaves_the_program_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "own.py"
    path.write_text("raise SystemExit(3)\n")
    with pytest.raises(InputError, match="SystemExit: 3"):
        load_estimator(f"{path}:Own")


def test_a_finished_pool_leaves_no_thread_behind() -> None:
    """One that still closes its pipe while the program ends makes it complain of a bad file."""
    from concurrent.futures import process

    assert dict(Pool(2).run(_square, None, range(9))) == {k: k * k for k in range(9)}
    assert not [thread for thread in process._threads_wakeups if thread.is_alive()]


def test_every_variable_of_the_scores_says_what_it_is(serial) -> None:
    for name, variable in serial.variables.items():
        assert "long_name" in variable.attrs, name
        assert "units" in variable.attrs or variable.dtype.kind in "UO", name


# ---------------------------------------------------------------- the answer


def test_json_has_the_promised_form(serial) -> None:
    answer = json.loads(json.dumps(pooled_scores(serial, draws=20), allow_nan=False))
    assert len(answer["scores"]) == 6
    assert [entry["estimator"] for entry in answer["pooled"]] == NAMES
    keys = (
        *("estimator", "record", "n_faults", "mae", "rmse", "max_error", "coverage"),
        *("coverage_90_by_soc", "width_90", "interval_score_90", "crps", "us_per_step"),
    )
    for entry in (*answer["scores"], *answer["pooled"]):
        assert set(keys) <= set(entry)
        assert set(entry["coverage"]) == {"50", "90", "95"}
        assert list(entry["coverage_90_by_soc"]) == ["0-10", "10-25", "25-60", "60-95", "95-100"]
    assert {entry["n_faults"] for entry in answer["pooled"]} == {6}
    assert answer["pooled"][0]["coverage"]["90"] < 0.2  # the display states no band
    one = serial.sel(estimator="ekf", record="one")
    entry = next(e for e in answer["scores"] if (e["estimator"], e["record"]) == ("ekf", "one"))
    assert entry["mae"] == pytest.approx(float(one["mae"].mean()))
    assert entry["rmse"] == pytest.approx(float(np.sqrt((one["rmse"] ** 2).mean())))
    assert entry["max_error"] == pytest.approx(float(one["max_error"].max()))


def test_table_fits_80_columns_and_names_everything(serial) -> None:
    text = bench_report.table(pooled_scores(serial, draws=20))
    assert max(map(len, text.splitlines())) <= 80
    for word in (*NAMES, "one", "two", "pooled", "95-100"):
        assert word in text


def test_pictures_are_drawn_from_the_answer(context: Context, serial, tmp_path: Path) -> None:
    bands = record_bands(context, NAMES, "one", 1)
    paths = bench_report.save_plots(pooled_scores(serial, draws=20), bands, tmp_path)
    assert [path.name for path in paths] == ["accuracy-honesty.png", "coverage.png", "bands.png"]
    assert all(path.stat().st_size > 10_000 for path in paths)
    assert bands.sizes["estimator"] == 3
    assert sorted(tmp_path.iterdir()) == sorted(paths)


def test_half_a_picture_is_none(serial, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self, path: Path, **how) -> None:
        path.write_bytes(b"half")
        raise OSError(28, "No space left on device", str(path))

    monkeypatch.setattr("matplotlib.figure.Figure.savefig", refuse)
    with pytest.raises(OSError, match="No space"):
        bench_report.save_plots(pooled_scores(serial, draws=20), None, tmp_path)
    assert not list(tmp_path.iterdir())


def test_progress_is_told(context: Context) -> None:
    told = []
    run_bench(context, ["display"], 2, progress=lambda done, total: told.append((done, total)))
    assert told == [(k, 4) for k in range(5)]


def test_wrong_asks_are_refused(context: Context) -> None:
    with pytest.raises(InputError, match="did you mean 'ekf'"):
        estimator_names("ekff")
    with pytest.raises(InputError, match="--faults"):
        run_bench(context, ["display"], 0)
    with pytest.raises(InputError, match="each once"):
        make_context([_record("one", 1), _record("one", 1)])


def test_records_of_another_cell_are_refused_together() -> None:
    """One moves 134 times what its model holds, one is counted in a third of it; one of an aged
    cell stays."""
    sound = _record("sound", 1)
    big = replace(sound.log, current_a=134.0 * sound.log.current_a)
    capacity_ah = sound.capacity_ah
    records = [
        replace(sound, name="big", log=big),
        replace(sound, name="small", capacity_ah=capacity_ah / 3.0),
        replace(sound, name="aged", capacity_ah=0.7 * capacity_ah),
    ]
    with pytest.raises(InputError, match="of another cell") as caught:
        make_context(records, 5, 0)
    assert [p.where for p in caught.value.problems] == ["--records big", "--records small"]


# ---------------------------------------------------------------- time to disconnect


def test_naive_forecast_is_charge_over_current() -> None:
    cell = load_cell(CELL)
    time_s = np.arange(0.0, 3600.0, 60.0)
    log = Log("flat", time_s, np.full(len(time_s), -0.2), np.full(len(time_s), 3.2))
    prior = Prior.for_record(log, cell, 2.0).with_display(0.8)
    _, hours = Naive().hours_left(log, cell, prior, np.random.default_rng(0))
    left_ah = 0.8 * 2.0 - 0.2 * time_s[-1] / 3600
    assert hours == pytest.approx(left_ah / 0.2)
    charging = replace(log, current_a=-log.current_a)
    _, hours = Naive().hours_left(charging, cell, prior, np.random.default_rng(0))
    assert np.all(np.isinf(hours))


def test_cut_off_is_where_the_voltage_meets_it_or_the_load_stops_just_above() -> None:
    time_s = 10.0 * np.arange(6)
    drawn = np.array([1.0, 1.0, 1.0, 1.0, 0.0, 0.0])

    def found(volts: list[float], cutoff_v: float = 2.0) -> Cutoff | None:
        return Cutoff.found(Log("one", time_s, -drawn, np.array(volts)), cutoff_v)

    assert found([3.2, 3.0, 2.4, 1.95, 2.6, 2.7]) == Cutoff(2.0, 20.0)
    assert found([3.2, 3.0, 2.4, 2.08, 2.6, 2.7]) == Cutoff(2.0, 20.0)  # between two readings
    # Ended as planned, not by its voltage: only a higher cut-off was met.
    planned = [3.2, 3.0, 2.45, 2.65, 2.8, 2.8]
    assert found(planned) is None
    assert found(planned, 2.5) == Cutoff(2.5, 30.0)
    charged = Log("one", time_s, np.ones(6), np.full(6, 3.3))
    assert Cutoff.found(charged, 2.0) is None


def test_disconnect_scores_on_records_that_end_there(context: Context) -> None:
    class Knows:
        """Nine hours less what has passed, give or take: the record is eight hours long."""

        def hours_left(self, log, cell, prior, rng):
            return np.array([0.05, 0.5, 0.95]), np.array([0.0, 4.0, 9.0])

    hours = score_disconnect(context, {"naive": Naive(), "knows": Knows()}, faults=4, times=3)
    assert hours["truth_hours"].shape == (2, 12)
    assert np.all((hours["truth_hours"] > 0) & (hours["truth_hours"] < 8.1))
    assert np.all(hours["coverage_90"].sel(forecaster="knows") == 1.0)
    assert np.all(hours["coverage_90"].sel(forecaster="naive") < 0.5)
    assert "naive" in bench_report.disconnect_table(hours)
    # Truth between 0 and 8 h, stated 4 ± some: pinball by hand for the median forecast.
    truth = hours["truth_hours"].values
    p, q = np.array([0.05, 0.5, 0.95]), np.array([0.0, 4.0, 9.0])
    loss = ((q > truth[..., None]) - p) * (q - truth[..., None])
    np.testing.assert_allclose(
        hours["pinball_hours"].sel(forecaster="knows").values, loss.mean(axis=(1, 2))
    )
    # A record that goes on for an hour after its cut-off: that hour is nobody's time left.
    rests = replace(_record("one", 1), cutoff=Cutoff(2.0, 3600.0))
    earlier = score_disconnect(make_context([rests], 5, 0), {"knows": Knows()}, faults=4, times=3)
    assert np.all((earlier["truth_hours"] > 0) & (earlier["truth_hours"] < 7.0))
    none = make_context([replace(_record("one", 1), cutoff=None)], 0, 0)
    assert score_disconnect(none, {"naive": Naive()}, 1, 1).sizes["record"] == 0
