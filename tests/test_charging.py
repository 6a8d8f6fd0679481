"""Charging: fault, near full, cold or no supply. Rules of thumb are common practice, no source."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from socband.charging import charging
from socband.charging_report import charging_json, charging_plot, charging_text
from socband.charging_rules import KINDS
from socband.errors import InputError
from socband.models import load_cell
from socband.site import read_setup

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
    assert "it works" in " ".join(charging_text(held).split())
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
    from dataclasses import replace

    setup, cell = bank
    sources = tuple(replace(s, voltage_limit_v=13.5) for s in setup.sources)
    low = replace(setup, sources=sources)
    readings = {"amps": 0.0, "volts": 13.4, "display_soc": 60.0, "since_full": 20.0}
    dataset = charging(low, cell, None, readings, 1, MEMBERS, sources[0].kind)
    assert chance(dataset, "held") == 0.0


@pytest.mark.parametrize("volts", [0.0, 5.0, 9.0])
def test_a_battery_that_switched_itself_off_is_no_broken_charger(bank, volts):
    off = ask(bank, "shore", amps=0.0, volts=volts, display_soc=40.0, since_full=90.0,
              temperature=15.0)  # fmt: skip
    assert chance(off, "asleep") > 0.9
    assert "To wake a battery" in " ".join(charging_text(off).split())
    on = ask(bank, "shore", amps=0.0, volts=13.1, display_soc=40.0, since_full=90.0,
             temperature=15.0)  # fmt: skip
    assert chance(on, "asleep") < 0.01
    assert "To wake a battery" not in charging_text(on)


def test_the_rule_holds_for_the_true_charge_and_not_for_the_display(bank):
    # The same display says less after a long time without a full charge.
    fresh = ask(bank, "vehicle", amps=0.0, display_soc=97.0, since_full=3.0, temperature=15.0)
    stale = ask(bank, "vehicle", amps=0.0, display_soc=97.0, since_full=160.0, temperature=15.0)
    assert chance(fresh, "near_full") > chance(stale, "near_full") + 0.02


def test_a_source_idles_as_its_own_entry_says_and_by_the_rule_only_without_one(bank):
    """At a true charge of 95 % (the rule: idle above 90 %), as the forecast has it."""
    from dataclasses import replace

    setup, cell = bank
    roof = next(s for s in setup.sources if s.kind == "solar")
    seen = {}
    for name, sources in {
        "says": (roof,),
        "always": (replace(roof, idle_above_soc=None),),
        "from 0": (replace(roof, idle_above_soc=0.0),),
        "none": (),
    }.items():
        dataset = charging(
            replace(setup, sources=sources), cell, None, {"temperature": 15.0}, 1, MEMBERS, "solar"
        )
        seen[name] = float(dataset["expected_by_soc_a"].sel(soc=0.95, quantile=0.5))
        text = " ".join(charging_text(dataset).split())
        assert ("may idle above" in text) == (name != "always")
        assert ("the setup file says" in text) == (name != "none")
        assert "shore charger" not in text
    assert seen["always"] > 1.0
    assert seen["says"] == seen["none"] == seen["from 0"] == 0.0


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
    for amps, celsius in ((30.0, 10.0), (0.0, -10.0), (0.5, -10.0)):
        quiet = ask(bank, "shore", amps=amps, temperature=celsius)
        assert "ALARM" not in charging_text(quiet)
        assert charging_json(quiet)["alarm"] == ""


def test_even_odds_are_no_verdict(bank):
    dataset = ask(bank, "vehicle")
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
    from dataclasses import replace

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


def test_an_unknown_source_is_one_clear_error(bank):
    with pytest.raises(InputError, match="did you mean 'solar'"):
        ask(bank, "solr")
