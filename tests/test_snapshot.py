"""The snapshot: a display and the hours since full, against closed forms."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from toys import EMPTY_V, SLOPE_V, straight_cell

from socband.cell import temperature_factors
from socband.cli import main
from socband.errors import InputError
from socband.evidence import ClampReading
from socband.evidence_text import parse_evidence
from socband.models import load_cell
from socband.since_full import untracked_hours
from socband.site import Setup, read_setup, setup_from_table
from socband.snapshot import take_snapshot
from socband.unknowns import LEAST_SHIFT, LEAST_VOLTAGE_SPREAD_V

EXAMPLES = Path(__file__).resolve().parent.parent / "examples"
N = 8000
RATED_AH = 100.0


def make_setup(**sections: Any) -> Setup:
    """Everything exactly known unless a section says otherwise."""
    table: dict[str, Any] = {
        "bank": {
            "cell": "lfp-prismatic-100ah",
            "cells_in_series": 4,
            "rated_capacity_ah": RATED_AH,
            "capacity_fraction": 1.0,
            "resistance_factor": 1.0,
        },
        "monitor": {
            "offset_a": 0.0,
            "gain_error": 0.0,
            "drift_a_per_k": 0.0,
            "dead_band_a": 0.0,
            "assumed_capacity_ah": RATED_AH,
            "re_zero": {"false_probability": 0.0},
        },
        "untracked_load": {"probability": 0.0},
        "ambient": {"temperature_c": 25.0},
        "present": {"display_soc": 0.6, "hours_since_full": 72.0, "clock": "12:00"},
        "limits": {"disconnect_v": 10.0},
    }
    for section, values in sections.items():
        table[section] = values if isinstance(values, list) else table.get(section, {}) | values
    return setup_from_table(table)


def soc_of(setup: Setup, n: int = N, seed: int = 0) -> np.ndarray:
    return take_snapshot(setup, straight_cell(capacity_ah=100.0), n, seed).members.soc


def test_nothing_unknown_nothing_wrong() -> None:
    """With a perfect monitor the charge is the display."""
    np.testing.assert_allclose(soc_of(make_setup()), 0.6, atol=1e-12)


def test_a_battery_heater_drew_past_the_shunt_since_full() -> None:
    """By hand: 4 cells losing hA·(3.5 − (−6)) W each, at 13.2 V, over 20 h; the median of
    a wide doubt. Above the temperature at which it switches on nothing."""
    heater = {"name": "only", "rated_capacity_ah": 100, "heater_w": 100.0, "heater_on_c": 2.0,
              "heater_off_c": 5.0}  # fmt: skip
    hours = {"hours_since_full": 20.0, "display_soc": 0.9}

    def median_soc(temperature_c: float, battery: dict[str, Any]) -> float:
        ambient = {"temperature_c": temperature_c}
        setup = make_setup(ambient=ambient, present=hours, batteries=[battery])
        return float(np.median(soc_of(setup)))

    cell = straight_cell(capacity_ah=100.0)
    lost_w = 4 * cell.heat_conductance_w_per_k * 9.5
    want = 20.0 * lost_w / 13.2 / 100.0
    assert 0.001 < want < 0.5
    without = median_soc(-6.0, {"name": "only", "rated_capacity_ah": 100})
    assert without - median_soc(-6.0, heater) == pytest.approx(want, rel=0.08)
    assert median_soc(3.0, heater) == pytest.approx(without, abs=0.005)


def test_offset_drift() -> None:
    """100·I·t/C %: 100 mA over 7 days on 100 Ah is 16.8 % (Movassagh et al. 2021; computed).

    A monitor that reads too high shows too much: the true charge is lower.
    """
    setup = make_setup(monitor={"offset_a": 0.1}, present={"hours_since_full": 168.0})
    np.testing.assert_allclose(soc_of(setup), 0.6 - 0.168, atol=1e-12)
    spread = make_setup(
        monitor={"offset_a": {"dist": "norm", "loc": 0.0, "scale": 0.05}},
        present={"hours_since_full": 168.0},
    )
    std = soc_of(spread).std()
    assert abs(std - 0.084) < 5 * 0.084 / np.sqrt(2 * N)  # 50 mA, 7 days: 8.4 %


@pytest.mark.parametrize(
    ("section", "values", "wanted"),
    [
        ("monitor", {"gain_error": 0.02}, 1.0 - 0.4 / 1.02),
        ("monitor", {"assumed_capacity_ah": 90.0}, 1.0 - 0.4 * 0.9),
        ("bank", {"capacity_fraction": 0.8}, 1.0 - 0.4 / 0.8),
        ("untracked_load", {"probability": 1.0, "current_a": 0.2}, 0.6 - 0.144),
        (
            "untracked_load",
            {"probability": 1.0, "current_a": 0.6, "hours": ["20:00-04:00"]},
            0.6 - 0.144,
        ),
    ],
)
def test_one_error_at_a_time(section: str, values: dict[str, Any], wanted: float) -> None:
    """Closed forms of gain, capacity and untracked load over 72 h."""
    np.testing.assert_allclose(soc_of(make_setup(**{section: values})), wanted, atol=1e-9)


def test_what_would_be_more_than_full_is_ruled_out_not_cut_to_full() -> None:
    """An offset of 0.08 A over 5000 h of 100 Ah: the normal prior cut to what leaves the bank
    between empty and full, by plain rejection; cut to full instead, half of all would be full."""
    setup = make_setup(
        monitor={"offset_a": {"dist": "norm", "loc": 0.0, "scale": 0.08}},
        present={"hours_since_full": 5000.0},
    )
    soc = soc_of(setup)
    wide = 0.6 - 0.08 * np.random.default_rng(3).standard_normal(2_000_000) * 5000.0 / 100.0
    wanted = np.minimum(wide[(wide > 0.0) & (wide <= 1.01)], 1.0)
    assert np.mean(soc >= 1.0) < 0.02
    for level in (0.05, 0.5, 0.95):
        # 5 standard errors of a quantile of N draws of a nearly even density, and of as many of the
        # prior's draws as are left to choose from (8 N times the share that fits, 0.1)
        assert abs(np.quantile(soc, level) - np.quantile(wanted, level)) < 5 * 0.5 / np.sqrt(
            0.8 * N
        )


def test_a_display_at_full_may_have_counted_beyond_it() -> None:
    """On a charger the monitor stands at 100 %, whatever its offset: then nothing is ruled out."""
    drift = {"monitor": {"offset_a": -0.1}}
    soc = soc_of(make_setup(**drift, present={"display_soc": 1.0, "hours_since_full": 72.0}))
    assert (soc == 1.0).all()
    with pytest.raises(InputError, match="more than full"):
        soc_of(make_setup(**drift, present={"display_soc": 0.95, "hours_since_full": 72.0}))


def test_drift_with_temperature() -> None:
    """2 mA per kelvin, 20 K below 25 °C, 72 h: the offset is -40 mA, the charge 2.88 % higher."""
    setup = make_setup(monitor={"drift_a_per_k": 0.002}, ambient={"temperature_c": 5.0})
    np.testing.assert_allclose(soc_of(setup), 0.6 + 0.0288, atol=1e-9)


def test_dead_band_hides_any_share_of_itself() -> None:
    """0.1 A over 72 h of 100 Ah: evenly from nothing to 7.2 %, always towards less charge."""
    soc = soc_of(make_setup(monitor={"dead_band_a": 0.1}))
    assert (soc.min() >= 0.6 - 0.072) & (soc.max() <= 0.6)
    std = 0.072 / np.sqrt(12.0)
    assert abs(soc.mean() - (0.6 - 0.036)) < 5 * std / np.sqrt(N)
    assert soc.std() == pytest.approx(std, rel=0.05)


@pytest.mark.parametrize(
    ("load", "hidden"),
    [
        ({"current_a": 0.2}, False),
        ({"power_w": 3.0}, False),  # 0.23 A at 13.2 V
        ({"current_a": 0.05}, True),
        ({"current_a": 0.2, "hours": ["20:00-04:00"]}, True),
        ({"current_a": 0.2, "duty": 0.5, "cycle_min": 30}, True),
    ],
)
def test_a_standing_load_above_the_dead_band_is_counted(load: dict[str, Any], hidden: bool) -> None:
    """Only a load that never pauses keeps the current above the band."""
    setup = make_setup(monitor={"dead_band_a": 0.1})
    loads = setup_from_table(
        {"bank": {"cell": "lfp-prismatic-100ah", "cells_in_series": 4, "rated_capacity_ah": 100},
         "loads": [{"name": "a load"} | load]}
    ).loads  # fmt: skip
    soc = soc_of(replace(setup, loads=loads))
    assert bool(soc.min() < 0.6 - 1e-9) is hidden


def test_false_full_is_a_mixture() -> None:
    setup = make_setup(monitor={"re_zero": {"false_probability": 0.25, "shortfall": 0.1}})
    soc = soc_of(setup)
    assert set(np.round(soc, 9)) == {0.5, 0.6}
    assert abs((soc < 0.55).mean() - 0.25) < 5 * np.sqrt(0.25 * 0.75 / N)


def test_self_discharge() -> None:
    """The cell's own loss comes on top: 0.1 % a day over three days."""
    cell = replace(straight_cell(capacity_ah=100.0), self_discharge_per_day=0.001)
    soc = take_snapshot(make_setup(), cell, 500, 0).members.soc
    np.testing.assert_allclose(soc, 0.597, atol=1e-12)


def test_rested_voltage_is_bayes_rule() -> None:
    """Straight OCV: prior N(0.6, 0.0864), voltage ± 4 mV model error and 5 mV of the meter a cell.

    The product of two normals; weights and resampling within five standard errors.
    """
    cell = straight_cell(capacity_ah=100.0)
    setup = make_setup(
        monitor={"offset_a": {"dist": "norm", "loc": 0.0, "scale": 0.12}},
        present={"rested_voltage_v": 4 * (EMPTY_V + SLOPE_V * 0.65), "rested_hours": 100.0},
    )
    snapshot = take_snapshot(setup, cell, N, 0)
    prior_std = 0.12 * 72.0 / RATED_AH
    # besides: how far the bank's cells may differ from their model, in voltage and in charge
    own_v = max(cell.spread["ocv.voltage_v"], LEAST_VOLTAGE_SPREAD_V)
    reading_v = np.sqrt(0.004**2 + (0.02 / 4) ** 2 + own_v**2)
    reading_std = np.hypot(reading_v / SLOPE_V, max(cell.spread["ocv.soc"], LEAST_SHIFT))
    precision = prior_std**-2 + reading_std**-2
    mean = (0.6 * prior_std**-2 + 0.65 * reading_std**-2) / precision
    soc = snapshot.members.soc
    error = precision**-0.5 / np.sqrt(min(snapshot.effective_size, N))
    assert abs(soc.mean() - mean) < 5 * error
    assert abs(soc.std() - precision**-0.5) < 5 * error / np.sqrt(2)


def test_contradicting_readings_are_refused() -> None:
    """A display nobody's errors explain, and a voltage that belongs to another charge."""
    with pytest.raises(InputError, match=r"rested.voltage"):
        take_snapshot(
            make_setup(present={"rested_voltage_v": 4 * 3.42, "rested_hours": 10.0}),
            straight_cell(capacity_ah=100.0),
            500,
            0,
        )
    with pytest.raises(InputError, match="empty"):
        soc_of(make_setup(untracked_load={"probability": 1.0, "current_a": 5.0}), n=500)


def lake_cabin(
    evidence: str, rested_hours: float = 1.0, seed: int = 0, **present: Any
) -> np.ndarray:
    """Draws of charge of the example with one piece of evidence."""
    setup = read_setup(EXAMPLES / "lake-cabin.toml")
    setup = replace(setup, present=replace(setup.present, **present))
    return take_snapshot(
        setup,
        load_cell(setup.bank.cell),
        2000,
        seed,
        parse_evidence([evidence], rested_hours=rested_hours),
    ).members.soc


def test_a_higher_rested_voltage_never_means_less_charge() -> None:
    """Where the OCV is steepest, near empty, its tangent must not explain a voltage far above."""
    bands = [
        np.quantile(lake_cabin(f"rested={volts}"), (0.05, 0.5, 0.95))
        for volts in (12.6, 12.8, 13.0, 13.1, 13.2, 13.3, 13.4)
    ]
    assert (np.diff(bands[:-1], axis=0)[:, :2] > 0.0).all()  # the upper end is the display's
    # beyond what any bank below that display shows, the middle is the display's as well; few draws
    # explain that, so eight seeds together (each for itself 0.401 to 0.413)
    likely, beyond = (
        np.quantile(
            np.concatenate([lake_cabin(f"rested={volts}", seed=seed) for seed in range(8)]),
            (0.05, 0.5),
        )
        for volts in (13.3, 13.4)
    )
    assert beyond[0] > likely[0]
    assert beyond[1] == pytest.approx(likely[1], abs=0.005)
    # A bank at rest at 46 % has 13.2 V; an hour after a charge in the cold it may still have 13.5.
    for volts, hours in ((13.5, 2.0), (13.6, 1.0), (13.8, 1.0), (14.2, 1.0)):
        with pytest.raises(InputError, match="rested voltage"):
            lake_cabin(f"rested={volts}", hours)


@pytest.mark.parametrize(
    ("volts", "says"),
    [(3.3, "whole bank"), (5.0, r"1\.25 V a cell"), (14.6, "rested voltage"), (15.5, "V a cell")],
)
def test_a_voltage_no_charge_explains_is_refused(volts: float, says: str) -> None:
    """Beyond both ends of the OCV, with no display to contradict it; its full is at 14.07 V."""
    assert np.median(lake_cabin("rested=14.0", display_soc=None)) > 0.95
    with pytest.raises(InputError, match=says):
        lake_cabin(f"rested={volts}", display_soc=None)


@pytest.mark.parametrize(
    ("evidence", "doubt"),
    [
        ("capacity=5000", "from full to cut-off"),  # the bank has 200 Ah
        ("capacity=10000", "from full to cut-off"),
        ("clamp=-1900/-1.2", "1899 A more drawn than the display; is .* true/shown"),
        ("clamp=300/-1.2", "301 A more charged than the display; is .* true/shown"),
    ],
)
def test_a_reading_no_bank_explains_is_refused(evidence: str, doubt: str) -> None:
    """The less exact the further off: 3 % of 5000 Ah hardly tell the draws apart, yet all are 30
    deviations off."""
    with pytest.raises(InputError, match=doubt) as caught:
        lake_cabin(evidence)
    assert "at rest" not in str(caught.value)


@pytest.mark.parametrize("word", ["true", "unsure", "false"])
def test_a_full_charge_now_is_refused_with_what_says_it(
    word: str, house: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["tonight", str(house), "--evidence", f"full={word}"]) == 2
    error = " ".join(capsys.readouterr().err.split())
    for words in ("--evidence full", "present.hours_since_full", "--since-full", "full@hours"):
        assert words in error
    assert main(["tonight", "--help"]) == 0
    assert "full=" not in capsys.readouterr().out


HOUSE = """
[bank]
cell = "lfp-prismatic-100ah"
cells_in_series = 4
rated_capacity_ah = 100
capacity_fraction = 1.0
[monitor]
offset_a = 0.0
gain_error = 0.0
drift_a_per_k = 0.0
dead_band_a = 0.0
[monitor.re_zero]
false_probability = 0.0
[untracked_load]
probability = 1.0
current_a = {dist = "uniform", loc = 0.0, scale = 2.0}
[ambient]
temperature_c = 25
[present]
display_soc = 0.8
hours_since_full = 24
clock = "20:00"
"""


@pytest.fixture
def house(tmp_path: Path) -> Path:
    path = tmp_path / "house.toml"
    path.write_text(HOUSE)
    return path


@pytest.mark.parametrize(
    ("given", "more"), [("clamp=-1.8/-1.2", ""), ("clamp=-1.8", "current_a = -1.2")]
)
def test_a_clamp_reading_is_held_against_what_was_shown(
    house: Path, capsys: pytest.CaptureFixture[str], given: str, more: str
) -> None:
    """0.6 A flow unseen, not the 1.8 A of the whole load: over 24 h of 100 Ah 14.4 %.

    The even prior is cut to the meter's 0.08 A and 1.5 %; 5 standard errors of a median of 400
    members.
    """
    house.write_text(HOUSE + more)
    asked = ["tonight", str(house), "--evidence", given, "--members", "400", "--json"]
    assert main(asked) == 0
    soc = json.loads(capsys.readouterr().out)["soc"]
    std = np.hypot(0.08, 0.015 * 1.8) * 24.0 / 100.0
    assert abs(soc["p50"] - (0.8 - 0.144)) < 5 * 1.25 * std / np.sqrt(400)
    assert soc["p95"] - soc["p05"] == pytest.approx(3.29 * std, rel=0.2)


def test_a_clamp_reading_alone_is_refused(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing shown to hold it against: where, found and expected in one line, exit code 2."""
    assert main(["tonight", str(house), "--evidence", "clamp=-1.8", "--members", "400"]) == 2
    error = " ".join(capsys.readouterr().err.split())
    for words in ("--evidence clamp", "-1.8 A", "clamp=-1.8/", "present.current_a"):
        assert words in error
    assert main(["tonight", str(house), "--evidence", "rested@3=13.2"]) == 2
    assert "without @" in " ".join(capsys.readouterr().err.split())
    assert main(["tonight", "--help"]) == 0
    assert "clamp=-1.8/-1.2" in capsys.readouterr().out


def test_what_a_shunt_drifts_by_in_the_cold_is_no_offset() -> None:
    """At 5 °C this one reads 0.4 A too little (20 mA a kelvin, told): shown -2.2 A where -1.8 A
    flow, it has no offset besides. Its prior of 0.3 A is cut to the meter's; 5 standard errors of
    a mean of N draws, of which some 2000 are effective."""
    setup = make_setup(
        monitor={"drift_a_per_k": 0.02, "offset_a": {"dist": "norm", "scale": 0.3}},
        ambient={"temperature_c": 5.0},
    )
    piece = ClampReading(0.0, -1.8, 0.05, seen_a=-2.2)
    members = take_snapshot(setup, straight_cell(capacity_ah=100.0), N, 0, [piece]).members
    prior, meter = 0.3**-2, 0.05**-2
    assert abs(members.offset_a.mean()) < 5 * np.sqrt(1.0 / (prior + meter)) / np.sqrt(2000)


def test_clamp_texts() -> None:
    both, alone = parse_evidence(["clamp=-1.8 / -1.2", "clamp=-1.8"])
    assert (both.current_a, both.seen_a) == (-1.8, -1.2)
    assert alone.seen_a is None
    for text in ("clamp=-1.8/", "clamp=/-1.2", "clamp=1/2/3", "clamp=nan", "capacity=inf"):
        with pytest.raises(InputError, match="--evidence"):
            parse_evidence([text])


def test_the_bank_is_still_on() -> None:
    """Members that would be empty by now are gone; without a display anything else may be."""
    cell = load_cell("lfp-prismatic-100ah")
    setup = make_setup(
        monitor={"offset_a": {"dist": "norm", "loc": 0.0, "scale": 0.5}},
        present={"display_soc": 0.2},
    )
    soc = take_snapshot(setup, cell, 2000, 0).members.soc
    assert soc.min() > 0.0
    assert soc.max() <= 1.0
    named = make_setup()
    unknown = replace(named, present=replace(named.present, display_soc=None))
    anywhere = take_snapshot(unknown, cell, 2000, 0).members.soc
    assert abs(anywhere.mean() - 0.5) < 0.05


def test_same_seed_same_members() -> None:
    setup = make_setup(monitor={"offset_a": {"dist": "norm", "loc": 0.0, "scale": 0.1}})
    assert np.array_equal(soc_of(setup, seed=3), soc_of(setup, seed=3))
    assert not np.array_equal(soc_of(setup, seed=3), soc_of(setup, seed=4))


@pytest.mark.parametrize(
    "spans", [["22:00-07:00"], ["00:00-06:30"], ["11:00-13:00", "18:00-23:30"]]
)
@pytest.mark.parametrize("clock", ["00:10", "12:00", "23:50"])
def test_untracked_hours_against_counting_minutes(spans: list[str], clock: str) -> None:
    """Hours drawn since full, minute by minute backwards from now."""
    setup = make_setup(
        untracked_load={"probability": 1.0, "current_a": 0.1, "hours": spans},
        present={"clock": clock},
    )
    hours = np.array([0.0, 0.5, 7.25, 24.0, 31.0, 100.0])
    now = setup.present.clock.minute
    for value, counted in zip(hours, untracked_hours(setup, hours), strict=True):
        minutes = now - 1 - np.arange(round(value * 60))
        inside = setup.untracked_load.hours.contains(np.mod(minutes, 1440))
        assert counted == pytest.approx(inside.sum() / 60.0)


@pytest.mark.parametrize("current_a", [0.0, -20.0])
def test_a_bank_that_is_on_stands_above_its_limit_by_its_own_cells(current_a: float) -> None:
    """On the straight cell, term by term: shift, voltage offset, resistance and lead included."""
    cell = straight_cell(capacity_ah=100.0, r0_ohm=0.002)
    limit_v, lead_ohm = 12.48, 0.002
    bank = {"resistance_factor": {"dist": "uniform", "loc": 1.0, "scale": 2.0},
            "connection_resistance_ohm": lead_ohm}  # fmt: skip
    setup = make_setup(
        bank=bank,
        monitor={"offset_a": {"dist": "norm", "loc": 0.0, "scale": 0.1}},
        present={"display_soc": 0.26, "hours_since_full": 100.0, "current_a": current_a},
        limits={"disconnect_v": limit_v, "reconnect_v": 13.0},
    )
    m = take_snapshot(setup, cell, N, 0).members
    open_v = EMPTY_V + SLOPE_V * (m.soc + m.charge_shift) + m.voltage_offset_v
    terminal = 4.0 * (open_v + m.resistance_factor * 0.002 * current_a) + lead_ohm * current_a
    assert np.all(terminal > limit_v)
    assert terminal.min() < limit_v + 0.01  # and none is discarded that stands above it


def unseen(n: int, true_a: float, **load: Any) -> np.ndarray:
    """Charges under a clamp reading of so much where the display shows -1.9 A, four days after full
    at 55 %. What a reading allows is bound to rest on few draws: 1.2 A would take 115 of 100 Ah."""
    setup = make_setup(
        bank={"rated_capacity_ah": 200.0, "capacity_fraction": {"dist": "norm", "loc": 0.88,
                                                                "scale": 0.05}},
        monitor={"assumed_capacity_ah": 200.0,
                 "offset_a": {"dist": "norm", "loc": 0.0, "scale": 0.08}},
        untracked_load={"probability": 0.3, "current_a": {"dist": "expon", "scale": 0.8}} | load,
        present={"display_soc": 0.55, "hours_since_full": 96.0, "clock": "21:00"},
    )  # fmt: skip
    pieces = [ClampReading(0.0, true_a, 0.08, -1.9)]
    return take_snapshot(setup, load_cell("lfp-prismatic-100ah"), n, 0, pieces).members.soc


def test_no_reading_is_refused_for_too_few_members() -> None:
    """What is left of few draws is drawn again in larger number, and is then the same answer."""
    few, many = unseen(400, -2.95), unseen(20_000, -2.95)
    assert (len(few), len(many)) == (400, 20_000)
    assert 0.0 < few.min() < np.median(few) < 0.1
    # both rest on some hundred effective draws of a charge of 0.02 deviation: 5 standard errors
    assert abs(np.median(few) - np.median(many)) < 5 * 1.25 * 0.02 * np.sqrt(2 / 100)


@pytest.mark.parametrize("n", [300, 8000])
def test_an_unseen_current_that_would_have_emptied_the_bank_is_refused_with_why(n: int) -> None:
    """1.6 A over 96 h are 154 Ah, where 55 % of some 176 Ah are 97 Ah; by the hour it goes."""
    with pytest.raises(InputError, match="off by now") as caught:
        unseen(n, -3.5)
    said = str(caught.value)
    for words in ("1.6 A", "96 h since full", "154 Ah", "97 Ah", "hours of [untracked_load]"):
        assert words in said
    assert "`suspects`" in said
    with_hours = unseen(n, -3.5, hours=["18:00-24:00"])
    # 6 h a day until 21:00 four days on: 24 h at 1.6 A are 38 Ah of 176 Ah
    assert np.median(with_hours) == pytest.approx(
        0.55 - 0.45 * (200 / 176 - 1) - 38 / 176, abs=0.03
    )


WORN = """
[bank]
cell = "lfp-prismatic-100ah"
cells_in_series = 4
rated_capacity_ah = 100
{fraction}
[ambient]
temperature_c = 5
[present]
display_soc = 0.63
hours_since_full = 36
clock = "21:00"
"""


def test_a_worn_bank_that_was_measured_is_told_what_to_enter(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """50 of 100 Ah are next to impossible where the setup says nothing: what is to be written
    goes by the temperature, and is taken when it is."""
    path = tmp_path / "worn.toml"
    path.write_text(WORN.format(fraction=""))
    few = ["--members", "2000"]
    assert main(["tonight", str(path), "--evidence", "capacity=50", *few]) == 2
    error = " ".join(capsys.readouterr().err.split())
    assert "promise too much" not in error
    said = re.search(r"bank\.(capacity_fraction = \{.*?\})", error)[1]
    factor = temperature_factors(load_cell("lfp-prismatic-100ah"), 5.0)[4]
    found = re.search(r"loc = ([\d.]+), scale = ([\d.]+)", said)
    assert float(found[1]) == pytest.approx(0.5 / factor, abs=0.005)
    assert float(found[2]) == pytest.approx(0.03 * 0.5 / factor, abs=0.0005)
    path.write_text(WORN.format(fraction=said))
    assert main(["tonight", str(path), *few, "--json"]) == 0
    charge = json.loads(capsys.readouterr().out)["charge_left_ah"]
    assert charge["p95"] < 0.63 * 50.0
    # a setup that does promise is asked whether it does too much
    path.write_text(WORN.format(fraction="capacity_fraction = 0.95"))
    assert main(["tonight", str(path), "--evidence", "capacity=50", *few]) == 2
    error = " ".join(capsys.readouterr().err.split())
    assert "promise too much" in error
    assert "dist" not in error
