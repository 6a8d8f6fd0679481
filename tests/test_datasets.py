"""Open datasets by name, against a local server; nothing here goes over the network."""

from __future__ import annotations

import hashlib
import threading
from dataclasses import replace
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import numpy as np
import pytest

from socband import datasets
from socband.bench_plan import Plan, read_plan
from socband.datasets import KNOWN, bench_record, bench_records, data_folder, set_file
from socband.errors import InputError
from socband.open_sets import OPEN_SETS, OpenSet

ROOT = Path(__file__).resolve().parents[1]
BODY = b"Test Time / s,Current / A,Voltage / V\n0,0,3.3\n60,-1,3.2\n"


class _Quiet(SimpleHTTPRequestHandler):
    def log_message(self, *args: object) -> None:
        pass


@pytest.fixture
def server(tmp_path: Path):
    """A server of one folder on this computer."""
    (tmp_path / "www" / "in side").mkdir(parents=True)
    (tmp_path / "www" / "in side" / "one.csv").write_bytes(BODY)
    handler = partial(_Quiet, directory=str(tmp_path / "www"))
    with ThreadingHTTPServer(("127.0.0.1", 0), handler) as running:
        thread = threading.Thread(target=running.serve_forever)
        thread.start()
        yield f"http://127.0.0.1:{running.server_port}"
        running.shutdown()
        thread.join()


@pytest.fixture
def open_set(server: str) -> OpenSet:
    return OpenSet(
        name="invented-set",
        title="Invented records",
        licence="CC0 1.0",
        citation="nobody",
        checksums={"one.csv": hashlib.sha256(BODY).hexdigest()},
        address=server,
        folders={"one": "in side"},
    )


@pytest.fixture(autouse=True)
def _no_local_copy(monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> None:
    if "server" in request.fixturenames:
        monkeypatch.setattr(datasets, "data_folder", lambda: None)


def test_fetched_once_after_the_licence_was_shown(open_set: OpenSet, tmp_path: Path) -> None:
    pytest.importorskip("pooch", reason="pooch is not installed")
    said: list[str] = []
    path = set_file(open_set, "one.csv", cache=tmp_path / "cache", say=said.append)
    assert path.read_bytes() == BODY
    assert len(said) == 1
    assert "CC0 1.0" in said[0]
    assert "cite: nobody" in said[0]
    again = set_file(open_set, "one.csv", cache=tmp_path / "cache", say=said.append)
    assert again == path
    assert len(said) == 1


def test_wrong_checksum_is_refused_and_leaves_nothing(open_set: OpenSet, tmp_path: Path) -> None:
    pytest.importorskip("pooch", reason="pooch is not installed")
    wrong = replace(open_set, checksums={"one.csv": "0" * 64})
    with pytest.raises(InputError, match="checksum"):
        set_file(wrong, "one.csv", cache=tmp_path / "cache")
    assert not list((tmp_path / "cache").rglob("*.csv"))


def test_missing_file_and_missing_server(open_set: OpenSet, tmp_path: Path) -> None:
    pytest.importorskip("pooch", reason="pooch is not installed")
    with pytest.raises(InputError, match=r"did you mean 'one.csv'"):
        set_file(open_set, "on.csv", cache=tmp_path)
    gone = replace(open_set, address=open_set.address + "/nowhere")
    with pytest.raises(InputError, match="404"):
        set_file(gone, "one.csv", cache=tmp_path)
    with pytest.raises(InputError, match="local copy"):
        set_file(replace(open_set, address=""), "one.csv", cache=tmp_path)


def test_local_copy_goes_first(
    open_set: OpenSet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "copy" / "invented-set").mkdir(parents=True)
    mine = tmp_path / "copy" / "invented-set" / "one.csv"
    mine.write_bytes(b"mine")
    monkeypatch.setattr(datasets, "data_folder", data_folder)
    monkeypatch.setenv("SOCBAND_DATA", str(tmp_path / "copy"))
    assert set_file(open_set, "one.csv", cache=tmp_path / "cache") == mine
    monkeypatch.setenv("SOCBAND_DATA", str(tmp_path / "missing"))
    with pytest.raises(InputError, match="SOCBAND_DATA"):
        data_folder()


@pytest.mark.skipif(data_folder() is None, reason="the open records are not here (SOCBAND_DATA)")
def test_a_folder_is_read_from_where_it_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = data_folder()
    assert folder is not None
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "cell-18650-2ah").symlink_to(folder / "cell-18650-2ah")
    monkeypatch.setattr(datasets, "data_folder", lambda: None)
    words = [tmp_path / "elsewhere" / "cell-18650-2ah"]
    names = [record.name for word in words for record in bench_records(word, "")]
    assert names == [f"LFP_25degC_{part}" for part in ("Co2", "1C", "2C", "DriveCycle")]


def test_register_is_complete() -> None:
    for name, one in OPEN_SETS.items():
        assert one.name == name
        assert one.title
        assert one.licence
        assert one.citation
        assert all(len(sha) == 64 for sha in one.checksums.values())
    for name, known in KNOWN.items():
        checksums = OPEN_SETS[known.open_set].checksums
        assert known.file in checksums, name
        assert set(known.references) | set(known.full_start) <= set(checksums), name
    url = OPEN_SETS["cell-26650-2p5ah-steps"].url("EIS_0.1A_Charge.mat")
    assert " " not in url
    assert url.endswith("EIS_Processed_data_mat/EIS_0.1A_Charge.mat")


@pytest.mark.skipif(data_folder() is None, reason="the open records are not here (SOCBAND_DATA)")
def test_local_copies_have_the_checksums_of_the_register() -> None:
    folder = data_folder()
    assert folder is not None
    for one in OPEN_SETS.values():
        for file, expected in one.checksums.items():
            path = folder / one.name / file
            if path.is_file():
                assert hashlib.sha256(path.read_bytes()).hexdigest() == expected, file


@pytest.mark.skipif(data_folder() is None, reason="the open records are not here (SOCBAND_DATA)")
def test_capacity_of_the_2ah_cell_is_that_of_its_low_rate_record() -> None:
    """2.0745 Ah at C/20 (figure of the record's provenance note)."""
    assert bench_record("LFP_25degC_DriveCycle").capacity_ah == pytest.approx(2.0745, abs=5e-4)


@pytest.mark.skipif(data_folder() is None, reason="the open records are not here (SOCBAND_DATA)")
def test_dynamic_runs_are_anchored_at_both_ends() -> None:
    """15 °C: the run gives 1.9935 Ah, the discharge after it 0.0441, of which the low-rate test
    left 0.0168 (counters of the files, read by eye); at the start both rules say full."""
    name = "A123_DYN_45_P15_s1"
    both, one = bench_record(name), bench_record(name, full_start_only=True)
    assert both.capacity_ah == pytest.approx(1.9935 + 0.0441 - 0.0168, abs=3e-4)
    assert one.capacity_ah == pytest.approx(2.0562, abs=3e-4)
    assert both.log.true_soc is not None
    assert one.log.true_soc is not None
    assert both.log.true_soc[0] == one.log.true_soc[0] == 1.0
    assert both.log.true_soc[-1] == pytest.approx((0.0441 - 0.0168) / 2.0208, abs=1e-3)


@pytest.mark.skipif(data_folder() is None, reason="the open records are not here (SOCBAND_DATA)")
def test_the_cold_record_meets_its_cut_off_before_it_ends() -> None:
    """Its load stops at 2.65 V, twelve minutes before its last row (file, read by eye)."""
    found = bench_record("A123_DYN_30_N05_s1").cutoff
    assert found is not None
    assert found.voltage_v == 2.5
    assert found.before_end_s > 720.0
    warm = bench_record("A123_DYN_50_P25_s1").cutoff
    assert warm is not None
    assert (warm.voltage_v, warm.before_end_s) == (2.0, pytest.approx(310.0, abs=2.0))


def _csv(path: Path, soc: np.ndarray) -> Path:
    time_s = 60.0 * np.arange(len(soc))
    current = np.gradient(soc, time_s) * 2.0 * 3600.0
    rows = ["Test Time / s,Current / A,Voltage / V,true_soc"]
    rows += [f"{t},{i:.6f},3.3,{z:.9f}" for t, i, z in zip(time_s, current, soc, strict=True)]
    path.write_text("\n".join(rows) + "\n")
    return path


def test_csv_with_true_soc_brings_its_capacity(tmp_path: Path) -> None:
    path = _csv(tmp_path / "mine.csv", np.linspace(0.9, 0.3, 200))
    (record,) = bench_records(path, "lfp-26650-2ah")
    assert record.name == "mine"
    assert record.capacity_ah == pytest.approx(2.0, rel=1e-6)


def test_what_cannot_be_a_record_is_refused(tmp_path: Path) -> None:
    flat = _csv(tmp_path / "flat.csv", np.full(50, 0.5))
    (tmp_path / "plain.csv").write_bytes(BODY)
    empty = _csv(tmp_path / "empty.csv", np.linspace(0.9, 0.3, 200))
    head, *rows = empty.read_text().splitlines()
    empty.write_text("\n".join([head, *(f"{row.rpartition(',')[0]}," for row in rows)]))
    for word, message in (
        (flat, "moves by 5 %"),
        (empty, "found no number in its column true_soc"),
        (tmp_path / "plain.csv", "true_soc"),
        ("A123_DYN_50_P26_s1", "did you mean 'A123_DYN_50_P"),
        (tmp_path / "none.csv", "--records"),
    ):
        with pytest.raises(InputError, match=message):
            bench_records(word, "lfp-26650-2ah")
    upside_down = _csv(tmp_path / "down.csv", np.linspace(0.9, 0.3, 200))
    text = upside_down.read_text().replace(",-", ",")
    upside_down.write_text(text)
    with pytest.raises(InputError, match="upwards when charged"):
        bench_records(upside_down, "lfp-26650-2ah")


# ---------------------------------------------------------------- plans


def test_example_plan_reads() -> None:
    plan = read_plan(ROOT / "examples" / "bench-plan.toml")
    assert plan.faults == 10
    assert plan.names() == ["display", "ekf", "open_loop"]
    assert set(plan.records) <= set(KNOWN)


def test_plan_finds_files_beside_it(tmp_path: Path) -> None:
    _csv(tmp_path / "mine.csv", np.linspace(0.9, 0.3, 200))
    (tmp_path / "own.py").write_text("from socband.estimators.display import Display as Own\n")
    (tmp_path / "plan.toml").write_text(
        'records = ["mine.csv"]\ncell = "lfp-26650-2ah"\nestimators = ["own.py:Own", "ekf"]\n'
        "faults = 2\n"
    )
    plan = read_plan(tmp_path / "plan.toml")
    context = plan.context()
    assert list(context.records) == ["mine"]
    assert plan.names()[0] == f"{tmp_path / 'own.py'}:Own"


def test_a_broken_plan_says_everything_at_once(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text('record = ["x"]\nfaults = 0\nseed = true\nstep_s = "1"\nestimators = []\n')
    with pytest.raises(InputError) as raised:
        read_plan(path)
    text = str(raised.value)
    assert len(raised.value.problems) == 6
    assert "did you mean 'records'" in text
    path.write_text("records = [")
    with pytest.raises(InputError, match="no valid TOML"):
        read_plan(path)
    with pytest.raises(InputError, match="a plan that can be read"):
        read_plan(tmp_path / "none.toml")


def test_a_plan_that_cannot_run_says_everything_at_once(tmp_path: Path) -> None:
    record = _csv(tmp_path / "mine.csv", np.linspace(0.9, 0.3, 200))
    plan = Plan(records=(str(record), "nothing.csv"), estimators=("display",), faults=0)
    with pytest.raises(InputError) as raised:
        plan.context()
    assert {problem.where for problem in raised.value.problems} == {
        *("--cell", "--records", "--faults")
    }
