"""Charging: fault, near full, cold or no supply. Rules of thumb are common practice, no source."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from socband.charging import charging
from socband.charging_report import charging_json, charging_plot, charging_text
from socband.charging_rules import KINDS
from socband.charging_weigh import GIVES_NOTHING
from socband.errors import InputError
from socband.logs import Log
from socband.models import load_cell
from socband.site import Assumption, read_setup
from socband.site_fields import ClockTime

EXAMPLE = Path(__file__).resolve().parent.parent / "examples" / "workshop-van.toml"
MEMBERS = 2000


@pytest.fixture(scope="module")
def bank():
    return read_setup(EXAMPLE), load_cell("lfp-prismatic-100ah")


def ask(bank, source, **readings):
    return charging(*bank, None, readings, seed=1, members=MEMBERS, source=source)


def chance(dataset, name):
    return float(dataset["probability"].sel(explanation=name))


def test_probabilities_sum_to_one_and_are_reproducible(bank):
    one, two = ask(bank, "vehicle"), ask(bank, "vehicle")
    assert float(one["probability"].sum()) == pytest.approx(1.0)
    assert one.identical(two)


def test_near_full_is_no_fault_and_half_empty_is_one(bank):
    full = ask(bank, "vehicle", amps=0.0, display_soc=99.0, since_full=2.0, temperature=15.0)
    half = ask(bank, "vehicle", amps=0.0, display_soc=45.0, since_full=20.0, temperature=15.0)
    assert full.attrs["not_a_fault"] > 0.6
    assert chance(full, "near_full") > 0.6
    assert half.attrs["not_a_fault"] < 0.05


def test_a_bank_held_at_the_charger_s_limit_proves_the_charger(bank):
    """3.55 V a cell, no current: full or refusing, no dead charger; at rest voltage a fault."""
    held = ask(bank, "shore", amps=0.1, volts=14.2, display_soc=92.0, since_full=40.0,
               temperature=15.0)  # fmt: skip
    assert held.attrs["not_a_fault"] > 0.95
    assert chance(held, "held") + chance(held, "near_full") > 0.9
    assert "it works. A bank that takes next to nothing" in " ".join(charging_text(held).split())
    taking = ask(bank, "shore", amps=12.0, volts=14.2, display_soc=92.0, since_full=40.0,
                 temperature=15.0)  # fmt: skip
    assert "next to nothing" not in " ".join(charging_text(taking).split())
    rest = ask(bank, "shore", amps=0.1, volts=13.2, display_soc=70.0, since_full=10.0,
               temperature=15.0)  # fmt: skip
    assert rest.attrs["not_a_fault"] < 0.1
    assert "it works" not in " ".join(charging_text(rest).split())


@pytest.mark.parametrize("volts", np.arange(11.5, 14.9, 0.3).round(1))
@pytest.mark.parametrize("display", [5.0, 50.0, 95.0])
def test_no_voltage_of_a_live_bank_is_taken_for_a_sleeping_one(bank, volts, display):
    readings = {"amps": 0.0, "volts": float(volts), "display_soc": display, "since_full": 30.0}
    for source in ("shore", "vehicle"):
        assert chance(ask(bank, source, temperature=15.0, **readings), "asleep") < 0.1


def test_a_limit_at_which_a_bank_rests_proves_no_source(bank):
    setup, cell = bank
    sources = tuple(replace(s, voltage_limit_v=13.5) for s in setup.sources)
    low = replace(setup, sources=sources, assumptions=())
    readings = {"amps": 0.0, "volts": 13.35, "display_soc": 60.0, "since_full": 20.0}
    dataset = charging(low, cell, None, readings, 1, MEMBERS, sources[0].kind)
    assert chance(dataset, "held") < 0.05
    assert dataset.attrs["not_a_fault"] < 0.2


def test_the_verdict_follows_the_voltage_smoothly_and_not_back_again(bank):
    """No current, 84 % on the display: by hand four such cells rest at 13.33 V, a full bank below
    13.8 V (3.45 V a cell), chargers hold 14.0 to 14.6 V. More voltage, more sign of a source."""
    volts = np.arange(13.1, 15.01, 0.1).round(2)
    sound = [ask(bank, "vehicle", amps=0.0, volts=v).attrs["not_a_fault"] for v in volts]
    steps = np.diff(sound)
    assert steps.min() > -0.06
    assert steps.max() < 0.45
    assert sound[0] < 0.1
    assert min(sound[list(volts).index(14.0) :]) > 0.9


def test_a_voltage_far_above_rest_says_full_and_that_the_display_is_contradicted(bank):
    """By hand: 12 A are 0.06 C, some 15 mV a cell, so 13.9 V are about 3.46 V a cell without
    current, where the curve has 99 %; the display with its doubts says no more than 90 %."""
    for amps, volts in ((12.0, 13.9), (0.0, 14.6)):
        dataset = ask(bank, "vehicle", amps=amps, volts=volts)
        assert float(dataset["soc_after"].sel(quantile=0.5)) > 0.97
        assert float(dataset["soc_before"].sel(quantile=0.95)) < 0.9
        assert dataset.attrs["soc_by_voltage"] > 0.97
        text = " ".join(charging_text(dataset).split())
        assert "The display (86 %) and the voltage contradict each other" in text
        assert f"{volts:g} V at {amps:g} A speak for about" in text
        assert "probably a fault" not in text
        assert charging_json(dataset)["contradiction"]
    quiet = ask(bank, "vehicle", amps=0.0, volts=13.3)  # rests where 84 % should
    assert "contradict" not in charging_text(quiet)
    assert charging_json(quiet)["contradiction"] == ""
    low = ask(bank, "vehicle", amps=0.0, volts=12.9, display_soc=95.0, since_full=5.0)
    assert "contradict" in charging_text(low)  # 13 %, whatever the display says
    assert float(low["soc_after"].sel(quantile=0.5)) < 0.3


def test_the_verdict_hangs_on_no_seed(bank):
    """A taper near full: few draws tell of it, and they must be enough."""
    read = {"amps": 12.0, "volts": 13.9}
    sound = [charging(*bank, None, read, s, 8000, "vehicle").attrs["not_a_fault"] for s in range(4)]
    assert np.ptp(sound) < 0.06
    assert min(sound) > 0.65


def test_a_bank_held_up_may_be_held_by_another_source(bank):
    text = " ".join(charging_text(ask(bank, "vehicle", amps=0.0, volts=14.2)).split())
    assert "To see whether it is this one, read again with roof panel off." in text


def test_a_charger_that_has_finished_on_a_full_bank_is_no_broken_one(bank):
    """13.6 V, 3.4 V a cell: where chargers float, and where a bank settles that was just full."""
    full = {"display_soc": 99.0, "since_full": 20.0, "temperature": 15.0}
    assert ask(bank, "shore", amps=0.2, volts=13.6, **full).attrs["not_a_fault"] > 0.4
    less = {**full, "display_soc": 70.0}
    assert ask(bank, "shore", amps=0.2, volts=13.3, **less).attrs["not_a_fault"] < 0.1


def test_a_stated_limit_is_known_and_an_assumed_one_is_not(bank):
    from socband.charging_rules import DEFAULT_RULES as R
    from socband.charging_state import limit_v

    setup, _ = bank
    assumed = limit_v(setup, "vehicle", 0, 4000, R)
    low, high = np.quantile(assumed, [0.05, 0.95])
    assert low < 14.0 < 14.4 < high  # ordinary chargers hold 14.0 to 14.6 V
    stated = limit_v(replace(setup, assumptions=()), "vehicle", 0, 4000, R)
    assert np.ptp(np.quantile(stated, [0.05, 0.95])) < 0.2


def test_without_a_reading_of_the_current_there_is_no_verdict(bank):
    from matplotlib.figure import Figure

    dataset = ask(bank, "vehicle", display_soc=45.0, since_full=20.0)
    first = " ".join(charging_text(dataset).split("\n\n")[0].split())
    assert first.startswith("Charging from vehicle: no verdict without the current (amps=).")
    assert "What would explain it, if none flows" in charging_text(dataset)
    assert charging_json(dataset)["not_a_fault"] is None
    labels = [line.get_label() for line in charging_plot(dataset, Figure().subplots()).lines]
    assert not any("seen" in label for label in labels)
    fuse = ask(bank, "vehicle", fuse_in=13.9, fuse_out=13.9)  # the bank stands on its far side
    text = " ".join(charging_text(fuse).split())
    assert "13.9 V without current speak for about 100 %" in text
    read = ask(bank, "vehicle", amps=0.0, display_soc=45.0, since_full=20.0)
    assert charging_json(read)["not_a_fault"] < 0.05
    assert "no verdict" not in charging_text(read)


def test_a_source_that_nobody_described_is_said_to_be_and_goes_with_the_bank(bank):
    """15 % of the capacity an hour: 30 A at 200 Ah, 15 A at 100 Ah."""
    setup, cell = bank
    for rated, amps in ((200.0, 30), (100.0, 15)):
        sized = replace(setup, bank=replace(setup.bank, rated_capacity_ah=rated))
        dataset = charging(sized, cell, None, {"amps": 0.0}, 1, MEMBERS, "shore")
        text = " ".join(charging_text(dataset).split())
        said = f"No shore charger is described in the setup file: {amps} A are assumed"
        assert said in text
        half = float(dataset["expected_by_soc_a"].sel(soc=0.5, quantile=0.5))
        assert half == pytest.approx(amps, rel=0.05)
    assert "is described in the setup file" not in charging_text(ask(bank, "vehicle", amps=0.0))


def test_what_the_file_does_describe_is_named_with_how_to_ask(bank):
    _, cell = bank
    from socband.site import setup_from_table

    whole = {"cell": "lfp-prismatic-100ah", "cells_in_series": 4, "rated_capacity_ah": 200.0}
    sources = [
        {"name": "panels, roof", "kind": "solar", "power_w": 100.0},
        {"name": "engine", "kind": "vehicle", "current_a": 30.0},
    ]
    both = setup_from_table({"bank": whole, "sources": sources})
    text = charging_text(charging(both, cell, None, {}, 1, MEMBERS, "shore"))
    said = "It does describe panels, roof, engine: to ask about that, --source solar or --source"
    assert f"{said} vehicle." in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 80
    none = charging_text(charging(setup_from_table({"bank": whole}), cell, None, {}, 1, MEMBERS))
    assert "It does describe" not in none


def test_a_bank_that_is_off_does_not_wake_in_the_frost(bank):
    setup, cell = bank
    text = " ".join(charging_text(charging(setup, cell, None, {}, 1, MEMBERS, "shore")).split())
    assert "not while its batteries are below 0 °C: waking is charging." in text


def test_help_of_a_reading_stays_on_its_line(capsys):
    """A word of it alone on the next line reads like a reading of its own."""
    from socband.cli import main

    main(["charging", "--help"])
    lines = capsys.readouterr().out.splitlines()
    first = next(k for k, line in enumerate(lines) if "panel_volts=" in line)
    assert "fuse_in=" in lines[first + 1]


def test_a_battery_warmed_by_its_own_heater_takes_charge(bank):
    """At -8 °C the heater holds some 3.5 °C, if it has the power (8 cells of some 1 W/K: 92 W)."""
    from socband.site import setup_from_table

    _, cell = bank
    cold = {"amps": 0.0}
    found = {}
    for name, watt in (("none", None), ("enough", 300.0), ("too little", 10.0)):
        battery = {"name": "one", "rated_capacity_ah": 200.0}
        if watt is not None:
            battery |= {"heater_w": watt, "heater_on_c": 2.0, "heater_off_c": 5.0}
        table = {
            "bank": {"cell": "lfp-prismatic-100ah", "cells_in_series": 4, "rated_capacity_ah": 200},
            "ambient": {"temperature_c": {"dist": "norm", "loc": -8, "scale": 1}},
            "present": {"display_soc": 0.5, "hours_since_full": 20},
            "batteries": [battery],
        }
        dataset = charging(setup_from_table(table), cell, None, cold, 1, MEMBERS, "shore")
        found[name] = chance(dataset, "too_cold")
    assert found["none"] > 0.6
    assert found["too little"] > 0.6
    assert found["enough"] < 0.05


@pytest.mark.parametrize("volts", [0.0, 5.0, 8.0, 9.0])
def test_a_battery_that_switched_itself_off_is_no_broken_charger(bank, volts):
    off = ask(bank, "shore", amps=0.0, volts=volts, display_soc=40.0, since_full=90.0,
              temperature=15.0)  # fmt: skip
    assert chance(off, "asleep") > 0.9
    text = " ".join(charging_text(off).split())
    assert "To wake a battery" in text
    assert text.count("1.5 to 3 h for 2 batteries in parallel") == 2  # one: 1 to 2 h
    setup, cell = bank
    for n, says in ((1, "1 to 2 h for one battery"), (4, "2.5 to 5 h for 4 batteries")):
        size = replace(setup, bank=replace(setup.bank, strings_in_parallel=n))
        said = charging(size, cell, None, {"amps": 0.0, "volts": volts}, 1, MEMBERS, "shore")
        assert says in " ".join(charging_text(said).split())
    on = ask(bank, "shore", amps=0.0, volts=13.1, display_soc=40.0, since_full=90.0,
             temperature=15.0)  # fmt: skip
    assert chance(on, "asleep") < 0.01
    assert "To wake a battery" not in charging_text(on)


def test_the_rule_holds_for_the_true_charge_and_not_for_the_display(bank):
    # The same display says less after a long time without a full charge.
    fresh = ask(bank, "vehicle", amps=0.0, display_soc=97.0, since_full=3.0, temperature=15.0)
    stale = ask(bank, "vehicle", amps=0.0, display_soc=97.0, since_full=160.0, temperature=15.0)
    assert chance(fresh, "near_full") > chance(stale, "near_full") + 0.02


def test_a_source_idles_as_its_own_entry_says_and_without_one_it_may(bank):
    """At a true charge of 95 %: most rest there, and the forecast lets one that says 1 work."""
    setup, cell = bank
    roof = next(s for s in setup.sources if s.kind == "solar")
    seen = {}
    for name, sources in {
        "says": (roof,),
        "never": (replace(roof, idle_above_soc=1.0),),
        "silent": (replace(roof, idle_above_soc=None),),
        "from 0": (replace(roof, idle_above_soc=0.0),),
        "none": (),
    }.items():
        dataset = charging(
            replace(setup, sources=sources), cell, None, {"temperature": 15.0}, 1, MEMBERS, "solar"
        )
        seen[name] = float(dataset["expected_by_soc_a"].sel(soc=0.95, quantile=0.5))
        text = " ".join(charging_text(dataset).split())
        assert ("may idle above" in text) == (name in ("says", "from 0"))
        assert ("Nobody says whether this solar source rests" in text) == (
            name in ("silent", "none")
        )
        assert ("the solar source never rests" in text) == (name == "never")
        assert "shore charger" not in text
    assert seen["never"] > 1.0
    assert seen["says"] == seen["none"] == seen["silent"] == seen["from 0"] == 0.0


FAIR = {"shore": {"current_a": 25.0}, "vehicle": {"current_a": 25.0}, "solar": {"power_w": 400.0}}


def idle(bank, kind, display_soc, how, **readings):
    """A verdict on 0 A at noon, 8 h after the display said full, of a source that is not described,
    described but for where it rests ("silent"), or rests there."""
    source = {"name": "x", "kind": kind, **FAIR[kind]}
    if not isinstance(how, str):
        source["idle_above_soc"] = how
    present = {"display_soc": display_soc, "hours_since_full": 8, "clock": "12:00"}
    sources = [] if how == "undescribed" else [source]
    setup = two_sources(sources, present=present, ambient=WARM)
    return charging(setup, bank[1], None, {"amps": 0.0, **readings}, 1, MEMBERS, kind)


@pytest.mark.parametrize("kind", KINDS)
def test_not_knowing_whether_a_source_rests_is_no_knowledge_that_it_never_does(bank, kind):
    """By hand at a true charge of 93 % for a shore charger: it rests there with 0.8 · Φ(0.03/0.04),
    0.62, so no fault 0.7285 · 0.62 : 0.24, 65 %, less what the display's doubt takes away."""
    for how in ("undescribed", "silent"):
        near = idle(bank, kind, 0.93, how).attrs["not_a_fault"]
        assert 0.45 < near < 0.75
        assert near < idle(bank, kind, 0.97, how).attrs["not_a_fault"]
        assert idle(bank, kind, 0.5, how).attrs["not_a_fault"] < 0.15
    # what is described loses nothing against what is not: a panel gives what the sky lets it
    both = [idle(bank, kind, 0.93, how).attrs["not_a_fault"] for how in ("undescribed", "silent")]
    assert both[0] == pytest.approx(both[1], abs=0.05)
    # what the setup file says wins
    assert idle(bank, kind, 0.93, 1.0).attrs["not_a_fault"] < 0.1
    assert idle(bank, kind, 0.8, 0.5).attrs["not_a_fault"] > 0.6


def test_a_source_that_may_only_rest_is_told_from_a_broken_one_by_using_some_charge(bank):
    near = " ".join(charging_text(idle(bank, "shore", 0.93, "silent")).split())
    assert "With the charger left on, use the bank down to about 80 %, 40 Ah from full" in near
    assert "use the bank down" not in charging_text(idle(bank, "shore", 0.5, "silent"))
    assert "use the bank down" not in charging_text(idle(bank, "shore", 0.93, 1.0))


def test_checks_that_the_readings_answer_are_not_asked_for_again(bank):
    asks = {"temperature": "temperature of the battery itself", "amps": "Switch off the loads",
            "fuse_in": "both sides of the source's own DC fuse", "volts": "Read the bank voltage",
            "panel_volts": "open-circuit voltage at its plug"}  # fmt: skip
    few = " ".join(charging_text(ask(bank, "solar", display_soc=50.0, since_full=20.0)).split())
    assert all(words in few for words in asks.values())
    given = {"temperature": 15.0, "amps": 0.0, "fuse_in": 13.3, "fuse_out": 13.3, "volts": 13.2,
             "panel_volts": 20.0, "display_soc": 50.0, "since_full": 20.0}  # fmt: skip
    dataset = ask(bank, "solar", **given)
    text = " ".join(charging_text(dataset).split())
    assert not any(words in text for words in asks.values())
    assert "Look at the sky" in text  # a look is no reading
    assert "loads off" in text
    assert "STOP HERE" in text
    assert charging_json(dataset)["stop"]
    assert len(charging_json(dataset)["checks"]) == 1


def test_where_nothing_is_wrong_nothing_is_to_be_checked_and_the_cautions_stay(bank):
    base = dict(display_soc=50.0, since_full=20.0, temperature=15.0)
    fine = ask(bank, "vehicle", amps=29.0, **base)
    text = charging_text(fine)
    assert "No check is called for" in text
    assert "STOP HERE" not in text
    assert "Never bridge one" in text
    data = charging_json(fine)
    assert data["checks"] == []
    assert data["stop"] == ""
    assert data["cautions"]
    for amps, celsius in ((0.0, 15.0), (8.0, 15.0), (29.0, -10.0), (90.0, 15.0)):
        wrong = ask(bank, "vehicle", **{**base, "amps": amps, "temperature": celsius})
        assert "STOP HERE" in charging_text(wrong)


def test_a_cold_battery_refuses_charge(bank):
    cold = ask(bank, "shore", amps=0.0, temperature=-6.0)
    assert chance(cold, "too_cold") > 0.6
    expected = cold["expected_by_temperature_a"]
    assert float(expected.sel(temperature_c=-15.0, quantile=0.95)) == 0.0
    assert float(expected.sel(temperature_c=25.0, quantile=0.5)) > 10.0


def test_current_into_a_bank_too_cold_for_it_is_an_alarm_and_no_refusal(bank):
    """Lithium plating below the cells' charge_min_c: the first line, and no weight on "refuses"."""
    forced = ask(bank, "shore", amps=30.0, temperature=-10.0)
    text = charging_text(forced)
    assert text.startswith("ALARM: 30 A flow into a bank at -10 °C.")
    assert "Stop charging now" in " ".join(text.split())
    assert "not a fault" not in text
    assert max(len(line) for line in text.splitlines()) <= 80
    assert chance(forced, "too_cold") == 0.0
    assert chance(forced, "cold_charge") > 0.9
    assert float(forced["expected_a"].sel(quantile=0.95)) == 0.0  # a sound battery refuses
    assert charging_json(forced)["alarm"].startswith("ALARM")
    for amps, celsius in ((30.0, 10.0), (30.0, 0.0), (0.0, -10.0), (0.5, -10.0)):
        quiet = ask(bank, "shore", amps=amps, temperature=celsius)
        assert "ALARM" not in charging_text(quiet)
        assert charging_json(quiet)["alarm"] == ""


def test_even_odds_are_no_verdict(bank):
    dataset = ask(bank, "vehicle", amps=0.0)
    for odds, words in ((0.36, "cannot be told from this"), (0.64, "cannot be told from this"),
                        (0.66, "probably not a fault"), (0.34, "probably a fault")):  # fmt: skip
        dataset.attrs["not_a_fault"] = odds
        assert words in charging_text(dataset).splitlines()[0]


def test_probabilities_stay_within_0_and_1(bank):
    """A fault that is certain: rounding must not leave less than nothing for "no fault"."""
    readings = dict(amps=0.0, temperature=15.0, fuse_in=13.4, fuse_out=13.4, since_full=20.0)
    for display_soc in (40.0, 60.0):
        readings["display_soc"] = display_soc
        data = charging_json(charging(*bank, None, readings, 0, MEMBERS, "vehicle"))
        given = [e["probability"] for e in data["explanations"]] + [data["not_a_fault"]]
        assert all(0.0 <= p <= 1.0 for p in given)


def test_a_fuse_that_reads_differently_is_found_and_one_that_reads_alike_cleared(bank):
    base = dict(amps=0.0, display_soc=50.0, since_full=20.0, temperature=15.0)
    blown = ask(bank, "vehicle", **base, fuse_in=13.9, fuse_out=12.9)
    alike = ask(bank, "vehicle", **base, fuse_in=13.9, fuse_out=13.88)
    assert chance(blown, "open_path") > 0.95
    assert chance(alike, "open_path") < 0.15


def test_panel_voltage_and_night(bank):
    base = dict(amps=0.0, display_soc=50.0, since_full=20.0, temperature=15.0)
    dead = ask(bank, "solar", **base, panel_volts=6.0)
    sunny = ask(bank, "solar", **base, panel_volts=20.5)
    assert chance(dead, "no_supply") > chance(sunny, "no_supply") + 0.2
    with pytest.raises(InputError, match="--source solar"):  # of a mains charger it says nothing
        ask(bank, "shore", **base, panel_volts=20.5)
    from socband.site_fields import ClockTime

    setup, cell = bank
    night = replace(setup, present=replace(setup.present, clock=ClockTime(23 * 60)))
    dark = charging(night, cell, None, {"amps": 0.0, "temperature": 15.0}, 1, MEMBERS, "solar")
    assert chance(dark, "weak_sun") > 0.6


def test_a_sound_current_is_no_fault_and_a_feeble_one_is_noticed(bank):
    base = dict(display_soc=50.0, since_full=20.0, temperature=15.0)
    sound = ask(bank, "vehicle", amps=29.0, **base)
    feeble = ask(bank, "vehicle", amps=8.0, **base)
    assert sound.attrs["not_a_fault"] > 0.95
    assert feeble.attrs["not_a_fault"] < 0.2


def test_expected_current_tapers_to_nothing_at_full(bank):
    expected = ask(bank, "shore")["expected_by_soc_a"].sel(quantile=0.5).values
    assert expected[0] > 20.0  # shore bulk about 30 A: common practice, no source
    assert expected[-1] < 5.0
    assert np.all(np.diff(expected) <= 1e-9)


@pytest.mark.parametrize("source", KINDS)
def test_text_json_and_picture(bank, source):
    from matplotlib.figure import Figure

    dataset = ask(bank, source)
    text = charging_text(dataset)
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "STOP HERE and call a licensed technician" in text
    assert "common practice" in text
    assert text.index("STOP HERE") > text.index("Checks, in this order")
    data = json.loads(json.dumps(charging_json(dataset)))
    assert data["checks"][0]["expect"]
    assert sum(e["probability"] for e in data["explanations"]) == pytest.approx(1.0)
    ax = Figure().subplots()
    assert charging_plot(dataset, ax) is ax


def two_sources(sources, rated_ah=200.0, cell="lfp-prismatic-100ah", **sections):
    from socband.site import setup_from_table

    table = {
        "bank": {"cell": cell, "cells_in_series": 4, "rated_capacity_ah": rated_ah},
        "present": {"display_soc": 0.5, "hours_since_full": 20, "clock": "12:00"},
        "sources": sources,
    }
    return setup_from_table({**table, **sections})


SOCKET = {"name": "socket", "kind": "shore", "current_a": 20.0}
WARM = {"temperature_c": {"dist": "norm", "loc": 15, "scale": 1}}


@pytest.mark.parametrize("amps", [60.0, 80.0, 400.0])
def test_a_current_far_above_what_the_source_can_give_is_said_and_no_fault_keeps_its_share(
    bank, amps
):
    """A charger of 20 A, give or take: 60 A are thrice that, whatever the charge. No charger that
    is dead, and none that works, explains them."""
    setup = two_sources([SOCKET], ambient=WARM)
    dataset = charging(setup, bank[1], None, {"amps": amps}, 1, MEMBERS, "shore")
    assert chance(dataset, "other_source") > 0.99
    text = " ".join(charging_text(dataset).split())
    assert text.startswith("Charging from shore: no verdict, as more current flows")
    assert f"{amps:g} A are more than a shore source of this size can give" in text
    assert "another source (one that is not in the setup file)" in text
    data = charging_json(dataset)
    assert data["not_a_fault"] is None
    assert data["impossible_current"]
    panel = {"name": "roof", "kind": "solar", "power_w": 200.0}
    setup = two_sources([SOCKET, panel], ambient=WARM)
    dataset = charging(setup, bank[1], None, {"amps": amps}, 1, MEMBERS, "shore")
    assert "another source (roof or one that is not" in " ".join(charging_text(dataset).split())


def test_currents_that_the_source_can_give_or_less_are_weighed_as_before(bank):
    setup = two_sources([SOCKET], ambient=WARM)
    for amps in (0.0, 8.0, 20.0, 25.0):
        dataset = charging(setup, bank[1], None, {"amps": amps}, 1, MEMBERS, "shore")
        assert chance(dataset, "other_source") < 0.02
        assert charging_json(dataset)["impossible_current"] == ""
    # too much into a bank too cold for it stays a hazard, wherever it comes from
    cold = {"amps": 80.0, "temperature": -10.0}
    dataset = charging(setup, bank[1], None, cold, 1, MEMBERS, "shore")
    assert chance(dataset, "cold_charge") > 0.6
    assert charging_text(dataset).startswith("ALARM: 80 A")


def test_a_current_that_flows_speaks_against_a_charger_that_gives_nothing(bank):
    """A quarter of what the charger gives, five deviations of the loads: no fuse is open and no
    input dead, unless another source may give it. Into cells too cold it is a hazard whoever does.
    Without the current's say the three kept their prior's 24 %."""
    panel = {"name": "roof", "kind": "solar", "power_w": 200.0}
    silent = ("no_supply", "open_path", "dead_charger")
    for sources, celsius in (([SOCKET], 15.0), ([SOCKET], -4.0), ([SOCKET, panel], -4.0)):
        setup = two_sources(sources, ambient=WARM)
        readings = {"amps": 5.0, "temperature": celsius}
        dataset = charging(setup, bank[1], None, readings, 1, MEMBERS, "shore")
        assert sum(chance(dataset, name) for name in silent) < 0.005
        leading = "cold_charge" if celsius < 0.0 else "low_current"
        assert chance(dataset, leading) > 0.9
        assert "gives nothing, and the" not in " ".join(charging_text(dataset).split())
    setup = two_sources([SOCKET, panel], ambient=WARM)
    dataset = charging(setup, bank[1], None, {"amps": 5.0}, 1, MEMBERS, "shore")
    elsewhere = dataset.attrs["from_elsewhere"]
    assert 0.1 < elsewhere <= sum(chance(dataset, name) for name in silent) + 1e-9
    said = f"With a chance of {100 * elsewhere:.0f} % the source gives nothing, and the 5 A come"
    assert said + " from another (roof)" in " ".join(charging_text(dataset).split())
    for amps in (0.0, 1.0):  # what loads and a meter make of nothing is no other source's
        dataset = charging(setup, bank[1], None, {"amps": amps}, 1, MEMBERS, "shore")
        assert dataset.attrs["from_elsewhere"] < 0.005
        assert sum(chance(dataset, name) for name in silent) > 0.9


@pytest.mark.parametrize("rated_ah", [0.5, 2.0, 1000.0])
def test_a_bank_of_any_size_is_judged_alike(bank, rated_ah):
    """A charger of a tenth of the capacity an hour, with one and with a third of its current, and
    ten times that: as on 200 Ah. Loads of an ampere hide no charger of 50 mA."""
    sure = {"monitor": {"offset_a": 0.0}, "untracked_load": {"probability": 0.0}}
    socket = SOCKET | {"current_a": 0.1 * rated_ah}
    setup = two_sources([socket], rated_ah, ambient=WARM, **sure)

    def asked(share):
        readings = {"amps": share * 0.1 * rated_ah}
        return charging(setup, bank[1], None, readings, 1, MEMBERS, "shore")

    assert asked(0.0).attrs["not_a_fault"] < 0.1
    assert asked(1.0).attrs["not_a_fault"] > 0.95
    assert chance(asked(0.33), "low_current") > 0.6
    assert chance(asked(10.0), "other_source") > 0.95


def test_a_temperature_that_is_only_assumed_is_asked_for_where_the_answer_hinges_on_it(bank):
    """Assumed are 15 °C give or take 8: 3 % below 0, more where no current flows. A temperature
    that the file or a reading gives is none to ask for."""
    asks = "The temperature is only assumed"
    setup = two_sources([SOCKET])
    dataset = charging(setup, bank[1], None, {"amps": 0.0}, 1, MEMBERS, "shore")
    assert asks in charging_text(dataset)
    assert "--reading temperature=" in charging_text(dataset)
    assert charging_json(dataset)["temperature_is_assumed"]
    read = charging(setup, bank[1], None, {"amps": 0.0, "temperature": 1.0}, 1, MEMBERS, "shore")
    told = two_sources([SOCKET], ambient={"temperature_c": {"dist": "norm", "loc": 1, "scale": 3}})
    told = charging(told, bank[1], None, {"amps": 0.0}, 1, MEMBERS, "shore")
    flows = charging(setup, bank[1], None, {"amps": 20.0}, 1, MEMBERS, "shore")
    assert not any(asks in charging_text(d) for d in (read, told, flows))


def test_an_unknown_source_is_one_clear_error(bank):
    with pytest.raises(InputError, match="did you mean 'solar'"):
        ask(bank, "solr")


@pytest.mark.parametrize("volts", [10.0, 10.5, 11.0, 11.5, 12.0])
@pytest.mark.parametrize("seed", [0, 1])
def test_a_voltage_far_below_the_plateau_says_empty(bank, volts, seed):
    """2.5 to 3.0 V a cell at rest: the last percents of the curve, whatever the display says."""
    readings = {"amps": 0.0, "volts": volts, "display_soc": 50.0, "since_full": 20.0,
                "temperature": 15.0}  # fmt: skip
    low = charging(*bank, None, readings, seed=seed, members=MEMBERS, source="vehicle")
    assert np.median(low["soc_after"].sel(quantile=0.5)) < 0.08


@pytest.mark.parametrize("of_cell", [False, True])
def test_a_log_s_own_temperature_stands_before_that_of_the_setup_file(bank, of_cell):
    """12 °C by the file, -6 °C by the log's last row that says one: 2 K of a sensor are three
    deviations from what the cells take. A reading at the battery stands before both."""
    t = np.arange(0.0, 86400.0, 600.0)
    celsius = np.append(np.linspace(12.0, -6.0, len(t) - 1), np.nan)
    amps, volts = np.full(len(t), -3.0), np.full(len(t), 13.15)
    setup, cell = bank
    told = Log("told", t, amps, volts, temperature_c=celsius, temperature_is_of_cell=of_cell)
    silent = Log("silent", t, amps, volts)

    def asked(log, **readings):
        return charging(setup, cell, log, {"amps": 0.0, **readings}, 1, 1000, "vehicle")

    cold, mild = asked(told), asked(silent)
    assert chance(cold, "too_cold") > 0.5
    assert chance(mild, "too_cold") < 0.01
    assert charging_json(cold)["temperature_c"] == pytest.approx(-6.0, abs=5 * 2.5 / 1000**0.5)
    assert charging_json(mild)["temperature_c"] > 10.0
    said = "[present] of the setup file is taken for the log's last row"
    text = " ".join(charging_text(cold).split())
    assert said in text
    assert "its temperature is the log's there, -6 °C" in text
    assert "its temperature is" not in charging_text(mild)
    assert charging_json(cold)["present_taken_at"] == "the log's last row"
    assert "present_taken_at" not in charging_json(ask(bank, "vehicle", amps=0.0))
    warm = asked(told, temperature=15.0)
    assert chance(warm, "too_cold") < 0.01
    assert "its temperature is" not in charging_text(warm)
    assert charging_text(asked(told, amps=5.0)).startswith("ALARM: 5 A flow into a bank at -6 °C")


def test_no_explanation_is_surer_than_the_verdict_above_it(bank):
    found = ask(bank, "vehicle", amps=0.0)
    sure = np.where(found["explanation"] == "near_full", 0.9997, 0.0)
    text = charging_text(
        found.assign(probability=("explanation", sure)).assign_attrs(not_a_fault=0.9997)
    )
    assert "probably not a fault, more than 99 %" in " ".join(text.split())
    assert "\n  >99 %  the bank is near full" in text
    assert "100 %  the bank" not in text


def test_a_battery_s_heater_is_reckoned_beside_a_sensor_in_the_room_and_not_on_its_cells():
    """-6 °C in the room, a heater that holds 6 °C: it takes charge. -6 °C on the cells is cold."""
    from socband.site import setup_from_table

    heater = {"heater_w": 400.0, "heater_on_c": 5.0, "heater_off_c": 7.0}
    setup = setup_from_table(
        {
            "bank": {
                "cell": "lfp-prismatic-100ah",
                "cells_in_series": 4,
                "rated_capacity_ah": 200.0,
            },
            "batteries": [{"name": "one", "rated_capacity_ah": 200.0, **heater}],
            "present": {"display_soc": 0.5, "hours_since_full": 20, "clock": "12:00"},
        }
    )
    t = np.arange(0.0, 86400.0, 600.0)
    columns = t, np.full(len(t), -3.0), np.full(len(t), 13.15), np.full(len(t), -6.0)
    cell, found = load_cell("lfp-prismatic-100ah"), []
    for of_cell in (False, True):
        log = Log("room", *columns[:3], temperature_c=columns[3], temperature_is_of_cell=of_cell)
        dataset = charging(setup, cell, log, {"amps": 0.0}, 1, 1000, "shore")
        found.append(dataset.attrs["temperature_p50"])
    assert found[0] > 2.0
    assert found[1] == pytest.approx(-6.0, abs=0.5)


@pytest.mark.parametrize("panel_v", [0.5, 3.0, 9.0])
def test_a_panel_that_is_dark_after_sunset_is_no_fault(bank, panel_v):
    """In the dark a sound panel has next to no voltage, as a broken one; at noon only that one."""
    setup, cell = bank
    told = {"amps": 0.0, "panel_volts": panel_v, "display_soc": 50.0, "since_full": 20.0}
    found = {}
    for hour in (12.0, 22.0):
        present = replace(setup.present, clock=ClockTime.from_hour(hour))
        found[hour] = charging(replace(setup, present=present), cell, None, told, 0, 2000, "solar")
    assert chance(found[22.0], "weak_sun") > 0.5
    assert chance(found[12.0], "no_supply") > 0.8


def test_the_hour_that_a_panel_is_reckoned_for_is_said(bank):
    """A stale clock in the file turns the verdict: it has to be in sight."""
    setup, cell = bank
    present = replace(setup.present, clock=ClockTime.from_hour(19.0))
    found = charging(replace(setup, present=present), cell, None, {"amps": 0.0}, 0, 1000, "solar")
    text = " ".join(charging_text(found).split())
    assert "Reckoned for 19:00 ([present] clock), with the sun up from" in text
    assert "The sun is down: no panel gives anything, sound or not. Ask again by day." in text
    told = {"amps": 0.0, "panel_volts": 19.0}  # then the panel itself says that it sees the sun
    found = charging(replace(setup, present=present), cell, None, told, 0, 1000, "solar")
    assert "Reckoned for" not in charging_text(found)


def test_a_panel_beside_a_log_is_reckoned_for_the_hour_of_its_last_row(bank):
    """A log that ends at noon, and a setup file of the evening before, when the sun was down."""
    setup, cell = bank
    t = np.arange(0.0, 86400.0, 600.0)
    noon_s = 20_000 * 86400.0 + 43_200.0  # 12:00 on a day of 2024, UTC
    columns = (t, np.full(len(t), -3.0), np.full(len(t), 13.15))
    late = replace(setup.present, clock=ClockTime.from_hour(22.0))
    evening = replace(setup, present=late, assumptions=())

    def asked(this, **clock):
        unix = {"unix_time_s": t - t[-1] + noon_s, **clock} if clock else {}
        log = Log("log", *columns, **unix)
        found = charging(this, cell, log, {"amps": 0.0}, 0, 1000, "solar")
        return found, " ".join(charging_text(found).split())

    found, text = asked(evening, clock_is_local=True)
    assert "Reckoned for 12:00 (the log's last row), with the sun up" in text
    assert "The sun is down" not in text
    assert found["expected_by_soc_a"].sel(soc=0.5, quantile=0.5) > 1.0
    found, text = asked(evening)  # a log that does not know when it was
    assert "Reckoned for 22:00 ([present] clock)" in text
    assert found["expected_by_soc_a"].sel(soc=0.5).max() < 1e-9
    # Greenwich's noon is 22:00 in Brisbane (UTC+10, no summer time), and nobody's without a zone
    away = replace(evening, present=replace(late, timezone="Australia/Brisbane"))
    assert "Reckoned for 22:00 (the log's last row)" in asked(away, clock_is_local=False)[1]
    text = asked(evening, clock_is_local=False)[1]
    assert "Reckoned for 22:00 ([present] clock, as the log's is UTC and its zone not" in text
    assert "is taken for the log's last row (22:00)" in text  # one clock for all that is said
    assert "last row (22:00)" in asked(away, clock_is_local=False)[1]
    unsaid = replace(evening, assumptions=(Assumption("present.clock", "22:00", "assumed"),))
    assert "Reckoned for 12:00 (the log's last row, UTC:" in asked(unsaid, clock_is_local=False)[1]


def test_a_current_that_flows_comes_from_a_source_that_gives(bank):
    """2 A into a bank of one source: loads left on only take from a reading, so nothing dead makes
    it; 2 A out of it is what loads left on make of a dead source."""
    setup, cell = bank
    alone = replace(setup, sources=tuple(s for s in setup.sources if s.kind == "vehicle")), cell
    into = ask(alone, "vehicle", amps=2.0)
    out_of = ask(alone, "vehicle", amps=-2.0)
    assert sum(chance(into, name) for name in GIVES_NOTHING) < 0.02
    assert sum(chance(out_of, name) for name in GIVES_NOTHING) > 0.3


def test_a_trickle_is_no_more_of_a_fault_than_no_current(bank):
    """A monitor's own zero is off by as much; the more flows, the less of a fault it is."""
    found = [
        ask(bank, "shore", amps=amps, display_soc=92.0, since_full=20.0).attrs["not_a_fault"]
        for amps in (0.0, 0.02, 0.05, 0.2, 0.5)
    ]
    assert np.all(np.diff(found) > -0.01)
    assert found[1] == pytest.approx(found[0], abs=0.02)


def test_a_hot_bank_is_an_alarm_whatever_flows(bank):
    """45 °C: common practice, no source."""
    for degrees, hot in ((60.0, True), (40.0, False)):
        for amps in (0.0, 20.0):
            found = ask(bank, "shore", amps=amps, temperature=degrees, display_soc=60.0)
            text = " ".join(charging_text(found).split())
            assert text.startswith(f"ALARM: the bank is at {degrees:.0f} °C") is hot
            assert bool(charging_json(found)["alarm"]) is hot
