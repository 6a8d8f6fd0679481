"""The technician's and the researcher's commands, and evidence typed by hand, through `main`."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from socband.cell import simulate
from socband.cli import main
from socband.errors import InputError
from socband.evidence import CapacityTest, ClampReading, FullCharge, RestedVoltage
from socband.evidence_text import parse_evidence
from socband.logs import Log
from socband.models import available_cells, load_cell
from socband.readings import KINDS

ROOT = Path(__file__).resolve().parent.parent
CABIN = str(ROOT / "examples" / "lake-cabin.toml")
VAN = str(ROOT / "examples" / "workshop-van.toml")


def run(capsys: pytest.CaptureFixture[str], *argv: str) -> tuple[int, str, str]:
    """Exit code, standard output and standard error."""
    code = main(list(argv))
    output = capsys.readouterr()
    return code, output.out, output.err


def answer(capsys: pytest.CaptureFixture[str], *argv: str) -> dict:
    code, out, err = run(capsys, *argv, "--json")
    assert (code, err) == (0, "")
    return json.loads(out)


def fits_the_screen(text: str) -> bool:
    return max(len(line) for line in text.splitlines()) <= 80


# ---------------------------------------------------------------- evidence by hand


def test_evidence_is_parsed() -> None:
    found = parse_evidence(
        ["full@3.5=unsure", "clamp@12h=-1.8", "rested=13.2", "capacity=180"], end_hours=40.0
    )
    full, clamp, rested, capacity = found
    assert isinstance(full, FullCharge)
    assert (full.time_s, full.true_probability) == (3.5 * 3600.0, 0.5)
    assert isinstance(clamp, ClampReading)
    assert (clamp.time_s, clamp.current_a) == (12 * 3600.0, -1.8)
    assert isinstance(rested, RestedVoltage)
    assert rested.time_s == 40 * 3600.0
    assert isinstance(capacity, CapacityTest)
    assert capacity.capacity_ah == 180.0


def test_evidence_is_written_as_readings_are() -> None:
    """Unit, decimal comma and the true minus sign: the same numbers as without them."""
    plain = parse_evidence(["clamp@12=-1.8/-1.2", "rested=13.2", "capacity@3.5=180"])
    assert plain == parse_evidence(
        ["Clamp@12 h=−1,8 A/-1.2A", "rested=13,2 V", "capacity@3,5h=180 Ah"]
    )
    with pytest.raises(InputError, match=r"--evidence rested: found the unit 'A'; expected V"):
        parse_evidence(["rested=13.2A"])


@pytest.mark.parametrize("hours", ["1.2.3", "", "noon", "5 min"])
def test_a_wrong_time_of_evidence_is_what_is_blamed(hours: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_evidence([f"clamp@{hours}=-1"])
    [problem] = caught.value.problems
    assert (problem.where, problem.found) == ("--evidence clamp", repr(hours))
    assert "hours since the log began" in problem.expected


def test_every_wrong_piece_is_said_at_once() -> None:
    with pytest.raises(InputError) as caught:
        parse_evidence(["clamps=1", "full=maybe", "rested", "capacity=-3", "clamp=nan?"])
    assert len(caught.value.problems) == 5
    assert "did you mean 'clamp'" in str(caught.value)


@pytest.mark.parametrize(
    "text", ["clamp=1e300", "clamp=1e300/1e300", "clamp=-3/nan", "capacity=1e300", "rested=inf"]
)
def test_numbers_beyond_any_bank_are_refused(text: str) -> None:
    with pytest.raises(InputError, match=rf"--evidence {text.partition('=')[0]}: found"):
        parse_evidence([text])


def test_a_capacity_test_narrows_tonight(capsys: pytest.CaptureFixture[str]) -> None:
    """A smaller bank than assumed leaves less charge; the same seed, so no noise between them."""
    few = ("tonight", CABIN, "--members", "1500")
    plain = answer(capsys, *few)
    tested = answer(capsys, *few, "--evidence", "capacity=176")
    assert tested["charge_left_ah"]["p50"] < plain["charge_left_ah"]["p50"]


def test_wanting_more_certainty_switches_off_more(capsys: pytest.CaptureFixture[str]) -> None:
    few = ("tonight", CABIN, "--members", "1000")
    some = answer(capsys, *few, "--want", "60")["enough"]
    more = answer(capsys, *few, "--want", "99.5")["enough"]
    assert len(more["off"]) > len(some["off"])
    assert some["reached"]
    assert some["chance"] >= 0.6


# ---------------------------------------------------------------- technician


def test_suspects_names_them_all(capsys: pytest.CaptureFixture[str]) -> None:
    readings = ("--reading", "clamp=-1.8", "--reading", "display=-0.4")
    few = ("suspects", VAN, "--members", "2000", *readings)
    found = answer(capsys, *few)
    assert {"cause", "probability", "size", "unit", "display_error"} <= set(found["suspects"][0])
    assert sum(entry["probability"] for entry in found["suspects"]) == pytest.approx(1.0)
    assert {"what", "gain_bits", "minutes"} <= set(found["next_measurements"][0])
    assert "not_separable" in found
    code, out, _ = run(capsys, *few)
    assert code == 0
    assert fits_the_screen(out)


def test_suspects_help_names_every_reading(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "suspects", "--help")
    code2, out2, _ = run(capsys, "charging", "--help")
    assert (code, code2) == (0, 0)
    words = set(_words(out)) | set(_words(out2))
    assert not [name for name in KINDS if name not in words]
    # each with its unit and what is to be measured
    text = " ".join((out + out2).replace("│", " ").split())
    assert not [kind.words for kind in KINDS.values() if f"[{kind.unit}] {kind.words}" not in text]


def test_charging_answers(capsys: pytest.CaptureFixture[str]) -> None:
    few = ("charging", VAN, "--members", "1500", "--reading", "amps=0.2")
    found = answer(capsys, *few)
    assert 0.0 <= found["not_a_fault"] <= 1.0
    assert found["checks"]
    assert "technician" in found["stop"].lower()
    code, out, _ = run(capsys, *few)
    assert code == 0
    assert fits_the_screen(out)


@pytest.mark.parametrize("later", [0, 1])
def test_a_wrong_sign_is_seen_where_the_voltage_answers_a_row_later(later: int) -> None:
    """A charger that hunts at its limit: the current turns every minute, a row's voltage is that
    before its minute. Row by row the two then seem to go against each other."""
    rng = np.random.default_rng(3)
    time_s = 60.0 * np.arange(400.0)
    current_a = np.where(np.arange(400) % 2 == 0, -2.0, 8.0) + rng.standard_normal(400)
    voltage_v = np.round(14.3 + 0.008 * np.roll(current_a, later), 3)
    assert Log.from_arrays("x", time_s, current_a, voltage_v, cells_in_series=4).warnings == ()
    with pytest.raises(InputError, match="--discharge-positive"):
        Log.from_arrays("x", time_s, -current_a, voltage_v, cells_in_series=4)


# ---------------------------------------------------------------- researcher


def test_cell_at_a_glance(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    picture = tmp_path / "cell.png"
    code, out, _ = run(capsys, "cell", "lfp-26650-2ah", "--plot", str(picture))
    assert code == 0
    assert "mV per %" in out
    assert fits_the_screen(out)
    assert picture.stat().st_size > 10_000


def test_cells_that_come_along_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "cell")
    assert code == 0
    assert [line.split()[0] for line in out.splitlines()] == available_cells()
    assert fits_the_screen(out)
    code, _, err = run(capsys, "cell", "--plot", "cell.png")
    assert code == 2
    assert "--plot" in err


def test_bench_on_a_record_of_our_own(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A made record and its true charge: the asked keys in the answer; a rerun takes all over."""
    cell = load_cell("lfp-26650-2ah")
    time_s = np.arange(0.0, 6 * 3600.0, 60.0)
    current_a = np.where((time_s // 900) % 2 == 0, -0.5, -0.1)
    made = simulate(cell, time_s, current_a, 25.0, 0.95)
    record = tmp_path / "made.csv"
    header = "Test Time / s,Current / A,Voltage / V,true_soc"
    table = np.column_stack([time_s, current_a, made.voltage_v, made.soc])
    np.savetxt(record, table, delimiter=",", header=header, comments="", fmt="%.8g")
    saved = tmp_path / "scores.nc"
    asked = (
        *("bench", "--cell", "lfp-26650-2ah", "--records", str(record)),
        *("--estimators", "display,open_loop", "--faults", "2", "--save", str(saved)),
    )
    first = answer(capsys, *asked)
    assert {entry["estimator"] for entry in first["pooled"]} == {"display", "open_loop"}
    assert {
        *("estimator", "record", "n_faults", "mae", "rmse", "max_error", "coverage", "crps"),
        *("coverage_90_by_soc", "width_90", "interval_score_90", "us_per_step"),
    } <= set(first["scores"][0])
    assert answer(capsys, *asked) == first


def _words(text: str) -> list[str]:
    for mark in "│,.;=":
        text = text.replace(mark, " ")
    return text.split()


@pytest.mark.parametrize(
    ("clock", "own_clock", "says"),
    [
        (
            "10:30",
            True,
            "first row (20:30 UTC): display 86 %. But its clock says 10:30, as the last row",
        ),
        ("15:00", True, "first row (20:30 UTC): display 86 %. But its clock says 15:00, which is"),
        ("20:00", True, "first row (20:30 UTC): display 86 %. hour"),
        ("15:00", False, "first row (15:00): display 86 %. hour"),
        (None, True, "first row (20:30 UTC): display 86 %. hour"),
        (None, False, "first row: display 86 %. hour"),
    ],
)
def test_every_answer_says_for_which_row_it_takes_the_present(
    clock: str | None,
    own_clock: bool,
    says: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The log of the van begins at 20:30 UTC and ends 62 h later, at 10:30 (its second column)."""
    setup, log = tmp_path / "van.toml", tmp_path / "van.csv"
    text = Path(VAN).read_text(encoding="utf-8")
    named = 'clock = "10:30"'
    assert named in text
    setup.write_text(text.replace(named, f'clock = "{clock}"' if clock else ""), encoding="utf-8")
    columns = [0, 1, 2, 3] if own_clock else [0, 2, 3]
    rows = [row.split(",") for row in Path(VAN).with_suffix(".csv").read_text().splitlines()]
    log.write_text("".join(",".join(row[c] for c in columns) + "\n" for row in rows))
    assert main(["replay", str(setup), str(log), "--members", "100"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert f"[present] of the setup file is taken for the log's {says}" in out
    if clock != "10:30":
        return
    for command, more in (("suspects", "; its display is not used"), ("charging", ".")):
        assert main([command, str(setup), str(log), "--members", "1000"]) == 0
        out = " ".join(capsys.readouterr().out.split())
        said = f"[present] of the setup file is taken for the log's last row (10:30){more}"
        assert said in out
        assert "But its clock" not in out
