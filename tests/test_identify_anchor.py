"""What ends a record shows, and whose voltages it has: full, empty, or of no LFP cell at all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from socband import identify, identify_place
from socband.cell import simulate
from socband.errors import InputError
from socband.identify_anchor import anchor
from socband.identify_capacity import Capacities
from socband.identify_command import fit_command
from socband.identify_dynamic import Record
from socband.identify_notes import notes_on, notes_on_scores, notes_on_truth
from socband.identify_ocv import refuse_other_voltages
from socband.identify_rest import rests_of
from socband.logs import Log, charge_ah
from socband.models import available_cells, load_cell


def _log(current_a, voltage_v):
    return Log("log", 10.0 * np.arange(current_a.size), current_a, voltage_v)


@pytest.mark.parametrize("name", available_cells())
@pytest.mark.parametrize("rest_s", [20.0, 600.0, 7200.0])
@pytest.mark.parametrize("c_rate", [0.2, 0.5, 1.0])
def test_only_a_full_cell_is_taken_for_one(name, rest_s, c_rate):
    """Charged from 30 % to a known charge, at 1C well beyond 3.5 V in some, rested, discharged by
    20 %: full at the end of a current that falls or after two hours, never at 60 or 90 %.

    Rested 20 s after 1C the generic cell stands at 3.41 V at 60 %; after hours the 26650 at 90 % at
    3.36 V and the 2.5 Ah one, full, at 3.41 V (simulated).
    """
    cell = load_cell(name)

    def how(top, falls):
        charge_ah = (top - 0.3) * cell.capacity_ah
        lasts_s = 3600.0 * (top - 0.3) / c_rate
        up_a = np.full(round(lasts_s / 10.0), c_rate * cell.capacity_ah)
        if falls:  # by half of it to C/20
            up_a[up_a.size // 2 :] = np.geomspace(up_a[0], 0.05 * cell.capacity_ah,
                                                  up_a.size - up_a.size // 2)  # fmt: skip
            up_a = np.repeat(up_a, 2)
            up_a *= charge_ah * 360.0 / up_a.sum()
        down_a = np.full(144, -0.5 * cell.capacity_ah)
        amps = np.concatenate([up_a, np.zeros(round(rest_s / 10.0)), down_a])
        time_s = 10.0 * np.arange(amps.size)
        voltage_v = simulate(cell, time_s, amps, 25.0, 0.3, 0.0).voltage_v
        return anchor(Log("x", time_s, amps, voltage_v), cell.capacity_ah).how

    assert {how(top, falls) for top in (0.6, 0.9) for falls in (False, True)} == {"assumed full"}
    # A current that never fell is no proof of full while it flows, nor shortly after.
    assert how(1.0, True) == "full" or (name == "lfp-26650-2.5ah" and rest_s < 3600.0)
    if rest_s > 3600.0:
        assert how(1.0, False) == "full"


def test_a_full_cell_that_is_charged_on_is_full():
    """A pulse of a minute at C/2 after its rest, which lifts it by less than a steady charge."""
    cell = load_cell("lfp-26650-2ah")
    amps = cell.capacity_ah * np.concatenate([np.zeros(6), np.full(6, 0.5), np.full(200, -0.5)])
    time_s = 10.0 * np.arange(amps.size)
    voltage_v = simulate(cell, time_s, amps, 25.0, 1.0, 1.0).voltage_v
    assert anchor(Log("x", time_s, amps, voltage_v), cell.capacity_ah).how == "full"


def test_a_capacity_is_known_of_a_run_that_shows_both_ends():
    """From empty, where a rest shows it, to 60 %: anchored empty, and 40 % of the capacity nobody
    saw. To full, with a current that falls, it is known."""
    cell = load_cell("lfp-26650-2ah")
    found = {}
    for top in (0.6, 1.0):
        up_a = np.full(round(1440.0 * top), 0.25 * cell.capacity_ah)
        amps = np.concatenate([np.zeros(400), up_a])
        time_s = 10.0 * np.arange(amps.size)
        voltage_v = simulate(cell, time_s, amps, 25.0, 0.0, -1.0).voltage_v
        log = Log("x", time_s, amps, voltage_v)
        notes: list[str] = []
        told = Capacities.from_records([], [(log, 25.0)], notes)
        assert anchor(log, told.reference_ah).how == "empty"
        assert told.reference_ah == pytest.approx(top * cell.capacity_ah, rel=0.01)
        found[top] = (told.guessed, "true charge of all records" in notes[0])
    assert found == {0.6: (True, True), 1.0: (False, False)}


@pytest.mark.parametrize(
    ("low_v", "high_v", "said"),
    [(3.0, 3.98, "to 3.8 V"), (3.3, 3.75, "below 3.45 V"), (1.95, 2.15, "2.8 to")],
)
def test_another_kind_of_cell_is_refused_before_the_fit(tmp_path, monkeypatch, low_v, high_v, said):
    """A cell of another oxide, whole and in part, and a lead-acid one; also if it only scores."""
    for name in ("placed_by_voltage", "fit_dynamic"):
        monkeypatch.setattr(identify, name, lambda *a, **k: pytest.fail("begun to fit"))
    time_s = 60.0 * np.arange(240.0)
    amps = np.where(time_s % 3600.0 < 1800.0, -1.0, -0.1)
    head = "Test Time / s,Current / A,Voltage / V"
    for name, first_v, last_v in (("other", high_v, low_v), ("lfp", 3.35, 3.1)):
        columns = np.column_stack([time_s, amps, np.linspace(first_v, last_v, 240)])
        np.savetxt(tmp_path / f"{name}.csv", columns, "%.9g", ",", header=head, comments="")
    own, lfp = tmp_path / "other.csv", tmp_path / "lfp.csv"
    for asked in (
        {"ocv_discharge": own, "dynamic": own},
        {"dynamic": own},
        {"ocv_discharge": lfp, "dynamic": lfp, "score": own},
    ):
        with pytest.raises(InputError, match=f"{said}.*as of one LFP cell") as caught:
            fit_command(name="x", **asked)
        assert "another kind of cell" in str(caught.value)
        assert "other.csv" in str(caught.value)


def test_a_warm_full_rest_and_a_cold_low_end_are_of_an_lfp_cell():
    """Hours at 3.55 V before a short discharge; a discharge in the frost, most of it below 2.8 V;
    a fast charge in the cold, most of it above 3.5 V."""
    rest = _log(
        np.r_[np.zeros(900), np.full(100, -1.0)], np.r_[np.full(900, 3.55), np.full(100, 3.2)]
    )
    frost = _log(
        np.r_[np.zeros(20), np.full(380, -1.0)], np.r_[np.full(20, 3.35), np.full(380, 2.6)]
    )
    fast = _log(np.full(400, 1.0), np.linspace(3.45, 3.65, 400))
    refuse_other_voltages([rest, frost, fast])


def _rest_then(first_v, last_v, rest_s, c_rate, then_v, temperature_c=None):
    """A rest of 10 s rows whose voltage moves evenly, then two hours of a current, on 5 Ah."""
    rest, then = round(rest_s / 10.0), 720
    amps = np.r_[np.zeros(rest), np.full(then, 5.0 * c_rate)]
    volts = np.r_[np.linspace(first_v, last_v, rest), np.full(then, then_v)]
    log = _log(amps, volts)
    if temperature_c is None:
        return log
    return replace(log, temperature_c=np.full(len(log), temperature_c))


def test_a_rest_is_empty_where_it_ends_not_where_it_begins():
    """A foreign cell of 20 % stood at 2.907 V after a discharge at C/2 and 0 °C, and at 3.217 V
    half an hour later."""
    found = {
        (first_v, last_v, minutes, temperature_c): anchor(
            _rest_then(first_v, last_v, 60.0 * minutes, 0.2, 3.3), 5.0, temperature_c=temperature_c
        )
        for first_v, last_v, minutes, temperature_c in (
            (2.907, 3.217, 30, 25.0),
            (2.6, 2.95, 30, 25.0),
            (2.8, 3.15, 90, 25.0),
            (2.6, 2.95, 60, 25.0),
            (2.6, 2.95, 60, -10.0),
            (2.6, 2.95, 200, -10.0),
        )
    }
    assert [at.how for at in found.values()] == [
        *("assumed full", "assumed empty", "assumed empty"),
        *("empty", "assumed empty", "empty"),
    ]
    low = found[2.6, 2.95, 30, 25.0]
    assert low.guessed
    assert low.start_soc == pytest.approx(0.0)
    (note,) = notes_on([("low.csv", low)])
    assert "no hour's rest shows an empty one" in note
    assert "empty one; scored as if empty" in notes_on_scores([("low.csv", low)])[0]


def test_a_record_that_falls_most_of_the_time_is_not_taken_as_empty():
    amps = np.r_[np.full(900, -1.0), np.zeros(30), np.full(200, 1.0)]
    volts = np.r_[np.full(900, 3.2), np.full(30, 3.19), np.full(200, 3.3)]
    assert anchor(_log(amps, volts), 5.0).how == "assumed full"


def test_what_was_taken_as_empty_is_placed_from_full_on(monkeypatch):
    seen = []
    monkeypatch.setattr(identify_place, "placed", lambda r, frame: seen.append(r) or r)
    log = _rest_then(2.6, 2.95, 1800.0, 0.2, 3.3)
    at = anchor(log, 5.0)
    record = Record.from_log(log, 25.0, 5.0, at.start_soc)
    ((_, found),) = identify_place.placed_by_voltage([(record, at)], None)
    assert seen[0].soc.max() == pytest.approx(1.0)
    assert (found.how, found.doubt_soc) == ("voltage", 0.1)


@pytest.mark.parametrize(
    ("first_v", "last_v", "rest_s", "how"),
    [
        (3.41, 3.349, 3600.0, "assumed full"),  # falls before one's eyes: 91 % in a foreign cell
        (3.40, 3.392, 900.0, "assumed full"),  # 4 mV in its last half, 2 doublings: 3.384 V
        (3.41, 3.401, 900.0, "full"),
        (3.41, 3.385, 3600.0, "full"),
        (3.41, 3.349, 600.0, "assumed full"),
        (3.40, 3.40, 10.0, "full"),
    ],
)
def test_a_rest_at_the_head_is_full_where_it_ends(first_v, last_v, rest_s, how):
    log = _rest_then(first_v, last_v, rest_s, -0.2, 3.3)
    full_v = 3.385 if rest_s == 900.0 else 3.38
    assert anchor(log, 5.0, False, full_v).how == how


def test_a_load_at_the_head_shows_no_full_cell_before_a_rest_that_falls():
    """One row under a small load, then the rest that falls from what a charger left."""
    rest = _rest_then(3.41, 3.349, 3600.0, -0.2, 3.3)
    log = _log(np.r_[-0.2, rest.current_a], np.r_[3.41, rest.voltage_v])
    assert anchor(log, 5.0).how == "assumed full"


@pytest.mark.parametrize("column", [False, True])
@pytest.mark.parametrize(
    ("held_v", "c_rate", "temperature_c", "how"),
    [
        (3.65, 0.25, 0.0, "assumed full"),  # 86 and 94 % in two foreign cells
        (3.65, 0.3, 10.0, "assumed full"),  # 91 and 96 %
        (3.65, 0.25, 25.0, "full"),
        (3.65, 0.05, 0.0, "full"),
        (3.45, 0.03, 10.0, "full"),  # 99 % in both
        (3.45, 0.03, 25.0, "full"),
    ],
)
def test_in_the_cold_a_charger_shows_a_full_cell_by_a_small_current_alone(
    held_v, c_rate, temperature_c, how, column
):
    amps = np.r_[np.full(360, 5.0 * c_rate), np.full(720, -1.0)]
    log = _log(amps, np.r_[np.full(360, held_v), np.full(720, 3.3)])
    if column:
        log, temperature_c = replace(log, temperature_c=np.full(1080, temperature_c)), 25.0
    assert anchor(log, 5.0, temperature_c=temperature_c).how == how


@pytest.mark.parametrize(("temperature_c", "hours"), [(25.0, 1), (0.0, 3), (-10.0, 4)])
def test_in_the_cold_a_rest_tells_later(temperature_c, hours):
    """After an hour at -10 °C foreign cells of 76 and 88 % stood where full ones do."""

    def how(rested_h):
        amps = np.r_[np.full(360, 1.0), np.zeros(360 * rested_h), np.full(720, -1.0)]
        volts = np.r_[np.full(360, 3.4), np.full(360 * rested_h, 3.39), np.full(720, 3.3)]
        return anchor(_log(amps, volts), 5.0, temperature_c=temperature_c).how

    assert how(hours) == "full"
    assert how(hours - 1) == "assumed full"


def test_true_charge_is_held_against_what_is_known_of_the_capacity():
    """A guess of ± 50 % refuses no cell of 1.75 times as much; an assumed fraction in the cold none
    that is counted in the capacity at 25 °C; a measured one refuses both."""
    log = _rest_then(3.3, 3.3, 10.0, -0.2, 3.2)
    log = replace(log, true_soc=0.9 + charge_ah(log) / 5.0)
    alone = Capacities.from_measured({25.0: 5.0})
    cold = alone.at(-20.0)
    assert cold == pytest.approx(4.75)
    at = anchor(log, cold, capacity_spread=alone.spread_at(-20.0))
    assert at.how == "file"
    assert "105 % of the capacity" in notes_on_truth([("x", at)])[0]
    both = Capacities.from_measured({-20.0: 4.75, 25.0: 5.0})
    for capacities in (both, alone):
        at_c = -20.0 if capacities is both else 25.0
        with pytest.raises(InputError, match="cell of 5 Ah"):
            anchor(log, 4.75, capacity_spread=capacities.spread_at(at_c))
    guess = Capacities.from_measured({25.0: 5.0 / 1.75}, spread=0.5)
    told = anchor(log, guess.at(25.0), capacity_spread=guess.spread_at(25.0))
    assert told.told_over_model == pytest.approx(1.75)
    with pytest.raises(InputError, match="cell of 5 Ah"):
        anchor(log, 1.0, capacity_spread=0.5)
    wrong = replace(log, true_soc=log.true_soc + 0.04 * (np.arange(len(log)) % 2 * 2 - 1))
    with pytest.raises(InputError, match="beside what its own current counts"):
        anchor(wrong, 5.0, capacity_spread=0.5)


def _emptied(c_rate, last_v, rest_s, rested_v=2.8, full_v=3.4):
    """From full at a current to a voltage, 5 Ah, and a rest."""
    n = round(360.0 / c_rate)
    amps = np.r_[0.0, np.full(n, -5.0 * c_rate), np.zeros(round(rest_s / 10.0))]
    volts = np.r_[full_v, np.linspace(3.3, last_v, n), np.full(round(rest_s / 10.0), rested_v)]
    return _log(amps, volts)


def _told(*logs, temperature_c=25.0):
    notes: list[str] = []
    found = Capacities.from_records([], [(log, temperature_c) for log in logs], notes)
    return found.spread, notes[0]


def test_a_load_that_ends_a_run_leaves_charge_that_is_doubted():
    """At 2.5 V under C/2 a foreign cell had 5 % left, under 2C at 0 °C a quarter and more."""
    spread, note = _told(_emptied(0.5, 2.5, 0.0))
    assert spread == pytest.approx(0.05, abs=1e-3)
    assert "under a load of 0.5C" in note
    assert "± 5 %" in note
    assert _told(_emptied(1.0, 2.5, 60.0))[0] == pytest.approx(0.1, abs=1e-3)
    assert 0.3 < _told(_emptied(2.0, 2.5, 0.0), temperature_c=0.0)[0] < 0.5
    # An hour's rest tells, and so does another record that much the same load emptied.
    assert _told(_emptied(0.5, 2.5, 3600.0))[0] == pytest.approx(0.01)
    shorter = _emptied(0.5, 2.5, 3600.0)
    shorter = _log(shorter.current_a[40:], shorter.voltage_v[40:])
    assert _told(_emptied(0.5, 2.5, 0.0), shorter)[0] == pytest.approx(0.01)
    weak = replace(shorter, current_a=0.5 * shorter.current_a)
    assert _told(_emptied(0.5, 2.5, 0.0), weak)[0] == pytest.approx(0.05, abs=1e-3)


@pytest.mark.parametrize(
    ("full_v", "rested_v", "said"),
    [
        (3.4, 3.25, "shows no empty cell"),
        (3.35, 2.8, "shows no full cell"),
        (3.35, 3.25, "shows no full and no empty cell"),
    ],
)
def test_which_end_is_missing_is_said_and_what_would_tell(full_v, rested_v, said):
    spread, note = _told(_emptied(0.5, 2.9, 3600.0, rested_v, full_v))
    assert spread == 0.5
    assert said in note
    assert "would tell, or a C/20 discharge from full" in note


@pytest.mark.parametrize("step_s", [1.0, 30.0])
def test_an_hour_of_rest_counts_from_the_last_row_under_load(step_s):
    """From its first row to its last it is a step short."""
    n = round(3600.0 / step_s)
    amps = np.r_[np.full(n, -1.0), np.zeros(n), np.full(n, -1.0)]
    log = Log("x", step_s * np.arange(3 * n), amps, np.full(3 * n, 3.3))
    (point,) = rests_of(Record.from_log(log, 25.0, 5.0))
    assert point.rested_s == pytest.approx(3600.0)
    assert point.row == 2 * n - 1


def test_records_of_another_size_are_refused_with_all_their_names(tmp_path):
    """5 Ah branches beside drives that move 40 and 60 Ah, one to fit and one to score."""
    head = "Test Time / s,Current / A,Voltage / V"
    time_s = 60.0 * np.arange(1200.0)
    down_v = np.linspace(3.4, 2.6, 1200)
    wave = np.cos(time_s / 600.0)
    for name, amps, volts in (
        ("slow", -0.25, down_v),
        ("drive", -2.0 * (1.0 + wave), 3.25 - 0.05 * wave),
        ("other", -3.0 * (1.0 + wave), 3.25 - 0.05 * wave),
    ):
        columns = np.column_stack([time_s, np.broadcast_to(amps, 1200), volts])
        np.savetxt(tmp_path / f"{name}.csv", columns, "%.9g", ",", header=head, comments="")
    with pytest.raises(InputError) as caught:
        fit_command(
            name="x",
            ocv_discharge=tmp_path / "slow.csv",
            dynamic=tmp_path / "drive.csv",
            score=tmp_path / "other.csv",
        )
    assert [problem.where for problem in caught.value.problems] == ["drive.csv", "other.csv"]
    assert "at most the 4.996 Ah" in str(caught.value)


def test_records_that_move_nothing_tell_no_capacity(tmp_path):
    columns = np.column_stack([60.0 * np.arange(200.0), np.zeros(200), np.linspace(3.4, 3.3, 200)])
    head = "Test Time / s,Current / A,Voltage / V"
    np.savetxt(tmp_path / "still.csv", columns, "%.9g", ",", header=head, comments="")
    with pytest.raises(InputError, match="no charge moved"):
        fit_command(name="x", dynamic=tmp_path / "still.csv")
