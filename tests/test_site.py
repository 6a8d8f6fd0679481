"""The setup file: what is read, what is assumed, what is refused."""

from __future__ import annotations

import dataclasses
import re
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from socband.errors import InputError
from socband.models import load_cell
from socband.quantity import Quantity
from socband.report import check_text
from socband.site import ClockTime, Hours, read_setup, setup_from_table
from socband.site_check import capacity_setting_note
from socband.site_full_rule import full_rule_note

BANK = {"cell": "some-cell", "cells_in_series": 4, "rated_capacity_ah": 200}
FULL = """
[about]
title = "An invented boat"
note = "invented"

[bank]
cell = "some-cell"
cells_in_series = 4
strings_in_parallel = 2
rated_capacity_ah = 200
capacity_fraction = {dist = "norm", loc = 0.9, scale = 0.03, source = "capacity test"}
resistance_factor = 1.2
connection_resistance_ohm = 0.002

[monitor]
offset_a = {dist = "norm", loc = 0.0, scale = 0.08}
gain_error = 0.0
dead_band_a = 0.05
assumed_capacity_ah = 210
assumed_charge_efficiency = 0.99
drift_a_per_k = 0
[monitor.re_zero]
above_v = 14.2
below_a = 6
for_s = 120
false_probability = 0.2
shortfall = {dist = "uniform", loc = 0.02, scale = 0.1}

[[loads]]
name = "fridge"
power_w = 50
duty = {dist = "uniform", loc = 0.3, scale = 0.2}
cycle_min = 40
essential = true
[[loads]]
name = "radio"
current_a = 0.6
hours = ["22:00-07:00", "12:00-13:30"]
[[loads]]
name = "laptop"
power_w = 40
through_inverter = true

[inverter]
efficiency = 0.9
idle_w = 8
cutout_v = 10.8

[untracked_load]
probability = 0.5
current_a = 0.4
hours = "00:00-24:00"

[ambient]
temperature_c = {dist = "norm", loc = 4, scale = 2}

[present]
display_soc = 0.62
hours_since_full = 26
rested_voltage_v = 13.2
rested_hours = 2
clock = "21:30"
current_a = -4

[limits]
disconnect_v = 10.4
delay_s = 15
reconnect_v = 12.6

[question]
until = ["07:00", "09:30"]
horizon_hours = 48
want = 0.95
"""


@pytest.fixture
def full(tmp_path: Path) -> Path:
    path = tmp_path / "boat.toml"
    path.write_text(FULL, encoding="utf-8")
    return path


def test_a_full_file_is_read_and_nothing_assumed(full: Path) -> None:
    setup = read_setup(full)
    assert setup.assumptions == ()
    assert setup.name == "boat.toml"
    assert setup.bank.strings_in_parallel == 2
    assert setup.bank.capacity_fraction.source == "capacity test"
    assert setup.monitor.re_zero.shortfall.interval(0.9) == pytest.approx((0.025, 0.115))
    assert [load.name for load in setup.loads] == ["fridge", "radio", "laptop"]
    assert setup.loads[0].essential
    assert setup.loads[1].power_w is None
    assert setup.loads[1].hours.spans == ((0, 420), (720, 810), (1320, 1440))
    assert setup.inverter is not None
    assert setup.present.clock == ClockTime(21 * 60 + 30)
    assert setup.present.current_a == Quantity.from_number(-4.0).within(-1e5, 1e5)
    assert [str(clock) for clock in setup.question.until] == ["07:00", "09:30"]
    assert setup.untracked_load.hours.is_always


def test_gaps_are_filled_and_said() -> None:
    now = datetime(2024, 1, 5, 18, 45)
    setup = setup_from_table({"bank": BANK}, now=now)
    said = {a.key: a for a in setup.assumptions}
    assert setup.limits.disconnect_v.median == pytest.approx(10.0)
    assert "setting" in said["limits.disconnect_v"].source
    assert setup.monitor.assumed_capacity_ah.median == 200.0
    assert str(setup.present.clock) == "18:45"
    assert "clock" in said["present.clock"].source
    assert setup.inverter is None
    assert not any(key.startswith("inverter") for key in said)
    assert setup.present.display_soc is None
    for assumption in setup.assumptions:
        assert re.search("assumed|computed|memory|IEC", assumption.source), assumption


def test_a_prior_of_everything_that_is_said_to_be_assumed_is_really_used() -> None:
    """Each assumption names a key of the setup whose value it describes."""
    setup = setup_from_table({"bank": BANK})
    for assumption in setup.assumptions:
        node: object = setup
        for step in assumption.key.split("."):
            node = getattr(node, step)
        if isinstance(node, Quantity):
            assert assumption.description.startswith(f"{node.median:.3g}"), assumption


def test_a_load_through_the_inverter_brings_an_inverter() -> None:
    loads = [{"name": "tv", "power_w": 50, "through_inverter": True}]
    setup = setup_from_table({"bank": BANK, "loads": loads})
    assert setup.inverter is not None
    assert "inverter.efficiency" in {a.key for a in setup.assumptions}


def test_an_untracked_load_that_is_described_is_there() -> None:
    setup = setup_from_table({"bank": BANK, "untracked_load": {"current_a": 0.5}})
    assert setup.untracked_load.probability == 1.0


def test_overrides_are_used(full: Path) -> None:
    overrides = {
        "display": 48,
        "since_full": 10.5,
        "temperature": -3,
        "until": "06:15",
        "now": "22:05",
    }
    setup = read_setup(full, overrides)
    assert setup.present.display_soc == pytest.approx(0.48)
    assert setup.present.hours_since_full.median == 10.5
    assert setup.ambient.temperature_c.median == -3.0
    assert [str(clock) for clock in setup.question.until] == ["06:15"]
    assert str(setup.present.clock) == "22:05"
    assert read_setup(full, {"display": None}).present.display_soc == 0.62


def test_a_display_cannot_fall_faster_than_any_bank_empties(full: Path) -> None:
    """Five times 200 Ah an hour: of 210 Ah counted to 62 %, two spared, 75.6 Ah take 0.0756 h."""
    assert read_setup(full, {"since_full": 0.0757})
    with pytest.raises(InputError) as caught:
        read_setup(full, {"since_full": 0.0755})
    [problem] = caught.value.problems
    assert problem.found == "0.0755 h since full, and 62 % on the display"
    assert "0.076 h at least" in problem.expected
    assert read_setup(full, {"since_full": 0, "display": 99})
    with pytest.raises(InputError, match=r"present\.hours_since_full"):
        setup_from_table({"bank": BANK, "present": {"display_soc": 0.2, "hours_since_full": 0.01}})
    spread = {"dist": "uniform", "loc": 0.0, "scale": 2.0}
    setup_from_table({"bank": BANK, "present": {"display_soc": 0.2, "hours_since_full": spread}})


@pytest.mark.parametrize(
    ("overrides", "flag"),
    [
        ({"display": 0.62}, "--display"),
        ({"display": 130}, "--display"),
        ({"display": -1}, "--display"),
        ({"since_full": -5}, "--since-full"),
        ({"temperature": 300}, "--temperature"),
        ({"until": "7am"}, "--until"),
        ({"now": "25:10"}, "--now"),
        ({"display": 20, "since_full": 0}, "--since-full"),
    ],
)
def test_a_wrong_override_is_named_as_its_flag(full: Path, overrides: dict, flag: str) -> None:
    with pytest.raises(InputError) as caught:
        read_setup(full, overrides)
    assert [p.where for p in caught.value.problems] == [flag]


def test_all_problems_at_once() -> None:
    table = {
        "bank": {**BANK, "cells_in_series": "4", "capcity_fraction": 0.9},
        "monitor": {"offset_a": {"dist": "normal"}, "re_zero": {"abve_v": 14}},
        "loads": [{"name": "a", "power_w": 3, "current_a": 2}, {"name": "b", "hours": ["9-5"]}],
        "present": {"display_soc": 62},
        "limit": {},
    }
    with pytest.raises(InputError) as caught:
        setup_from_table(table)
    wheres = {p.where for p in caught.value.problems}
    assert wheres == {
        "[limit]",
        "bank.cells_in_series",
        "bank.capcity_fraction",
        "monitor.offset_a.dist",
        "monitor.re_zero.abve_v",
        "loads[1] (a)",
        "loads[2] (b).hours",
        "present.display_soc",
    }
    text = str(caught.value)
    for hint in ("'limits'", "'capacity_fraction'", "'norm'", "'above_v'", "62 % is 0.62"):
        assert hint in text


def test_a_bank_described_in_other_words_is_answered_with_ours_and_where_to_find_each() -> None:
    with pytest.raises(InputError) as error:
        setup_from_table({"bank": {"capacity_ah": 200, "series": 4, "parallel": 2}})
    hints = {problem.where: problem.hint for problem in error.value.problems}
    assert '"lfp-prismatic-100ah"' in hints["bank.cell"]
    assert "8 for 24 V" in hints["bank.cells_in_series"]
    assert "added up" in hints["bank.rated_capacity_ah"]
    assert hints["bank.series"] == "did you mean 'cells_in_series'?"
    assert hints["bank.parallel"] == "did you mean 'strings_in_parallel'?"


def test_a_cell_path_is_meant_from_the_setup_files_folder(tmp_path: Path) -> None:
    path = tmp_path / "s.toml"
    path.write_text('[bank]\ncell = "my.toml"\ncells_in_series = 4\nrated_capacity_ah = 100\n')
    assert Path(read_setup(path).bank.cell) == tmp_path / "my.toml"


def test_values_can_be_replaced(full: Path) -> None:
    setup = read_setup(full)
    fixed = Quantity.from_number(0.1)
    changed = setup.with_quantities(monitor__offset_a=fixed, monitor__re_zero__for_s=fixed)
    assert changed.monitor.offset_a.median == 0.1
    assert changed.monitor.re_zero.for_s.median == 0.1
    assert setup.monitor.offset_a.std > 0.0
    assert dataclasses.replace(setup.loads[0], hours=Hours()).hours.is_always


@pytest.mark.parametrize(
    ("text", "minute"), [("00:00", 0), ("7:05", 425), ("23:59", 1439), ("24:00", 0)]
)
def test_clock_times(text: str, minute: int) -> None:
    assert ClockTime.from_text(text).minute == minute


def test_hours_of_the_day() -> None:
    night = Hours.from_texts(["22:00-07:00"])
    minute = np.array([0, 419.5, 420, 1319, 1320, 1439, 1440 + 30])
    np.testing.assert_array_equal(night.contains(minute), [1, 1, 0, 0, 1, 1, 1])
    assert night.fraction == pytest.approx(9 / 24)
    assert str(night) == "22:00-07:00"
    assert Hours.from_texts(["08:00-12:00", "11:00-13:00"]).spans == ((480, 780),)
    assert Hours.from_texts("06:00-06:00").is_always


def test_what_is_assumed_of_sources_and_batteries_is_said_and_used() -> None:
    panels = {"name": "roof", "kind": "solar", "power_w": 200}
    shore = {"name": "shore", "kind": "shore", "current_a": 20, "voltage_limit_v": 14.0}
    old = {"name": "old", "rated_capacity_ah": 120, "cutoff_v": 10.0}
    new = {"name": "new", "rated_capacity_ah": 80, "heater_w": 30, "capacity_factor": 1.1}
    tree = {"bank": BANK, "sources": [panels, shore], "batteries": [old, new]}
    setup = setup_from_table(tree)
    said = {a.key: a for a in setup.assumptions}
    roof = setup.sources[0]
    assert roof.voltage_limit_v == pytest.approx(14.2)
    assert said["sources[1] (roof).voltage_limit_v"].description.startswith("14.2 V")
    assert "weather" in said["sources[1] (roof).clearness"].source
    assert said["sources[1] (roof).sunrise"].description == str(roof.sunrise) == "06:00"
    # a charger has no sun, what is given is not assumed, and that it stays plugged in is
    of_shore = {key.rpartition(".")[2] for key in said if key.startswith("sources[2]")}
    assert of_shore == {"hours", "probability"}
    assert setup.batteries[0].cutoff_delay_s.median == 5.0
    assert said["batteries[1] (old).cutoff_delay_s"].description.startswith("5 s")
    assert "batteries[1] (old).reconnect_v" in said
    assert "batteries[1] (old).cutoff_v" not in said
    assert "batteries[1] (old).heater_on_c" not in said
    assert said["batteries[2] (new).cutoff_v"].description == "none"
    assert setup.batteries[1].heater_on_c.median == 2.0
    assert "batteries[2] (new).capacity_factor" not in said
    for key, assumption in said.items():
        assert re.search("assumed|computed|memory|IEC", assumption.source), key


def test_a_source_without_a_bank_that_can_be_counted_is_no_second_problem() -> None:
    panels = {"name": "roof", "kind": "solar", "power_w": 200}
    with pytest.raises(InputError) as caught:
        setup_from_table({"bank": BANK | {"cells_in_series": "four"}, "sources": [panels]})
    assert [p.where for p in caught.value.problems] == ["bank.cells_in_series"]


def test_as_many_strings_as_there_are_batteries() -> None:
    """So that suspects knows of one that may be missing, and waking of how many wake."""
    two = [{"name": name, "rated_capacity_ah": 100} for name in ("a", "b")]
    assert setup_from_table({"bank": BANK}).bank.strings_in_parallel == 1
    assert setup_from_table({"bank": BANK, "batteries": two}).bank.strings_in_parallel == 2
    said = BANK | {"strings_in_parallel": 3}
    assert setup_from_table({"bank": said}).bank.strings_in_parallel == 3
    with pytest.raises(InputError, match=r"found 3, beside 2 \[\[batteries\]\]"):
        setup_from_table({"bank": said, "batteries": two})


def test_what_a_load_leaves_out_is_assumed_and_said():
    bank = {"cell": "lfp-prismatic-100ah", "cells_in_series": 4, "rated_capacity_ah": 100.0}
    fridge = {"name": "fridge", "power_w": 40.0, "duty": 0.4}
    setup = setup_from_table({"bank": bank, "loads": [fridge]})
    assert setup.loads[0].cycle_min.median == 60.0
    said = {one.key: one.description for one in setup.assumptions}
    assert said["loads[1] (fridge).cycle_min"] == "60 min"
    assert "loads" not in said
    none = {one.key: one.description for one in setup_from_table({"bank": bank}).assumptions}
    assert none["loads"] == "none"


def test_capacity_factors_scale_what_is_assumed_of_the_bank_and_check_says_so():
    """By hand: 0.4 of 100 Ah and 200 Ah in full are 0.8 of what is printed."""

    def bank(factor, **more):
        table = {"bank": BANK} | {
            "batteries": [
                {"name": "weak", "rated_capacity_ah": 100, "capacity_factor": factor},
                {"name": "sound", "rated_capacity_ah": 200},
            ]
        }
        table["bank"] = table["bank"] | {"rated_capacity_ah": 300} | more
        return setup_from_table(table)

    whole, weak = bank(1.0), bank(0.4)
    u = [0.05, 0.5, 0.95]
    np.testing.assert_allclose(
        weak.bank.capacity_fraction.ppf(u), 0.8 * whole.bank.capacity_fraction.ppf(u)
    )
    assert weak.share_by_factors == pytest.approx(0.8)
    said = next(str(a) for a in weak.assumptions if a.key == "bank.capacity_fraction")
    assert "of that 0.8, as the capacity_factors of the [[batteries]] say: some 228 Ah" in said
    assert "capacity_factors" not in str(whole.assumptions)
    # ratios above and below an average take nothing away; a distribution counts by its middle
    assert bank(1.4).bank.capacity_fraction == whole.bank.capacity_fraction
    spread = bank({"dist": "norm", "loc": 0.4, "scale": 0.02})
    assert spread.bank.capacity_fraction.median == pytest.approx(weak.bank.capacity_fraction.median)
    # told what the whole bank holds, only `check` asks whether the two agree
    assert "reckoned with 285 Ah" in capacity_setting_note(bank(0.4, capacity_fraction=0.95))
    assert "some 240 Ah at most" in capacity_setting_note(bank(0.4, capacity_fraction=0.95))
    assert capacity_setting_note(bank(0.4, capacity_fraction=0.8)) == ""
    assert capacity_setting_note(bank(1.0, capacity_fraction=0.95)) == ""
    with pytest.raises(InputError, match="capacity_factor"):
        bank("weak")


@pytest.mark.parametrize(
    ("section", "key", "value", "says"),
    [
        ("bank", "rated_capacity_ah", "100 Ah", "(write 100)"),
        ("ambient", "temperature_c", "68 F", "(write 20, in °C)"),
        ("bank", "rated_capacity_ah", "100,5", "(write 100.5)"),
        ("bank", "capacity_fraction", "90 %", "(write 0.9)"),
        ("bank", "strings_in_parallel", "2", "(write 2)"),
        ("monitor", "offset_a", "−20 mA", "(write -0.02, in A)"),
        ("ambient", "temperature_c", {"dist": "norm", "loc": "15 °C"}, "loc: found '15 °C'; ex"),
        ("ambient", "temperature_c", {"dist": "norm", "loc": "15 °C"}, "number (write 15)"),
        ("present", "hours_since_full", "2 days", "(write 48, in h)"),
        ("bank", "connection_resistance_ohm", "2 Nm", "(write the number alone, in ohm)"),
        ("untracked_load", "probability", 70, "(the file takes 0 to 1: 70 % is 0.7)"),
        ("question", "want", 95, "(the file takes 0 to 1: 95 % is 0.95)"),
        ("sources", "idle_above_soc", 90, "between 0 and 1 (90 % is 0.9)"),
        ("bank", "connection_resistance_ohm", 20, "between 0 and 1 (20 milliohm is 0.02)"),
        ("loads", "duty", 40, "(the share of the time it is on, 0 to 1; 40 % is 0.4)"),
    ],
)
def test_a_number_that_is_not_understood_comes_with_what_to_write(
    section: str, key: str, value: object, says: str
) -> None:
    tables = {
        "bank": dict(BANK),
        "sources": {"name": "a", "kind": "shore", "current_a": 20.0},
        "loads": {"name": "a", "power_w": 20.0},
    }
    changed = {**tables.get(section, {}), key: value}
    table = {"bank": BANK, section: [changed] if section in ("sources", "loads") else changed}
    with pytest.raises(InputError) as caught:
        setup_from_table(table)
    assert says in str(caught.value)


def test_a_comma_that_may_stand_between_thousands_is_not_interpreted() -> None:
    with pytest.raises(InputError) as caught:
        setup_from_table({"bank": BANK | {"rated_capacity_ah": "1,000 Ah"}})
    assert "write" not in str(caught.value)


def ruled(above_v=None, cells=4, capacity_fraction=None, **re_zero):
    bank = {"cell": "lfp-prismatic-100ah", "cells_in_series": cells, "rated_capacity_ah": 200}
    rule = re_zero if above_v is None else {"above_v": above_v, **re_zero}
    if capacity_fraction is not None:
        bank["capacity_fraction"] = capacity_fraction
    return setup_from_table({"bank": bank, "monitor": {"re_zero": rule}})


@pytest.mark.parametrize(("above_v", "cells"), [(13.32, 4), (12.9, 4), (27.1, 8)])
def test_a_rule_for_full_that_rest_meets_is_said(above_v, cells):
    """On the plateau, 3.2 to 3.39 V a cell: a "full" there may be false at any time."""
    setup = ruled(above_v, cells)
    said = check_text(setup, load_cell("lfp-prismatic-100ah"), None)
    assert "usable, but:" in said
    assert "fine." not in said
    text = " ".join(said.split())
    assert f"above_v is {above_v} V, {above_v / cells:.3g} V a cell" in text
    assert {4: "13.8 to 14.4 V", 8: "27.6 to 28.8 V"}[cells] in text
    assert max(len(line) for line in said.splitlines()) <= 80
    assert setup.monitor.re_zero.false_probability > 0.1
    assert setup.monitor.re_zero.shortfall.interval(0.9)[1] > 0.2


@pytest.mark.parametrize("above_v", [None, 13.6, 14.0])
def test_a_rule_above_the_plateau_is_sound(above_v):
    setup = ruled(above_v)
    assert full_rule_note(setup) == ""
    assert setup.monitor.re_zero.false_probability == 0.1
    assert setup.monitor.re_zero.shortfall.interval(1.0) == pytest.approx((0.02, 0.20))


def test_what_is_stated_of_false_fulls_stays():
    rule = ruled(13.32, false_probability=0.05, shortfall=0.1).monitor.re_zero
    assert rule.false_probability == 0.05
    assert rule.shortfall.median == 0.1


def test_a_lower_rule_is_false_more_often_and_by_more():
    """Least charge at which the generic cell meets 3.33 V with C/25 into it: 63 to 67 %."""
    rules = [ruled(v).monitor.re_zero for v in (12.9, 13.2, 13.32, 13.5, 13.6)]
    chance = [rule.false_probability for rule in rules]
    most = [rule.shortfall.interval(1.0)[1] for rule in rules]
    assert chance == sorted(chance, reverse=True)
    assert most == sorted(most, reverse=True)
    assert most[2] > 1.0 - 0.63


def test_a_capacity_set_as_printed_is_called_so():
    note = capacity_setting_note(ruled(capacity_fraction=0.62))
    assert "is 200 Ah, as printed, but the bank is reckoned to hold 124 Ah." in note
    assert "1 times" not in note
