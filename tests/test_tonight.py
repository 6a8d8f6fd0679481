"""The night ahead as its owner sees it: times of day across a clock change, waking afterwards."""

from __future__ import annotations

import re
from datetime import date

import numpy as np
import pytest
from scipy.stats import norm

from socband.charging import charging
from socband.forward import prepare, run
from socband.kernels_bank import B_COLD, S_I1, S_I2, S_I3, S_T
from socband.kernels_columns import O_LVD
from socband.models import load_cell
from socband.plots import clock_ticks, new_figure
from socband.report import chance_words, clock_after
from socband.site import setup_from_table
from socband.snapshot import take_snapshot
from socband.tonight import WHAT_IF_MEMBERS, of_all, tonight
from socband.tonight_json import tonight_json
from socband.tonight_report import HOW_TO_KNOW, tonight_text
from socband.unknowns import uniforms
from socband.whatif import WAKE_RESERVE, after_disconnect

CELL = load_cell("lfp-prismatic-100ah")


def table(**sections):
    return {
        "bank": {"cell": "lfp-prismatic-100ah", "cells_in_series": 4, "rated_capacity_ah": 200.0},
        "loads": [{"name": "fan", "power_w": 60.0}],
        "untracked_load": {"probability": 0.0},
        "present": {"display_soc": 0.6, "hours_since_full": 20.0, "clock": "21:30"},
        "question": {"until": ["07:00"], "horizon_hours": 48.0},
        **sections,
    }


def test_times_of_day_across_a_clock_change():
    """Vienna puts its clocks back in the night of 2026-10-24 (tz database): 22 h on are 18:30."""
    night = dict(table()["present"], timezone="Europe/Vienna", date=date(2026, 10, 24))
    dataset = tonight(setup_from_table(table(present=night)), CELL, 200, 1)
    assert float(dataset["until_hours"][0]) == pytest.approx(10.5)  # 21:30 to 07:00, one more
    assert clock_after(dataset.attrs, 10.5) == "07:00 tomorrow"
    assert clock_after(dataset.attrs, 22.0) == "18:30 tomorrow"
    assert clock_after(dataset.attrs, 1.0) == "22:30"
    ax = clock_ticks(new_figure()[1][0], 24.0, dataset.attrs)
    labels = [label.get_text() for label in ax.get_xticklabels()]
    assert labels[0] == "0\n21:30"
    assert labels[-1] == "24\n20:30"
    # without a zone nobody knows of the change
    plain = tonight(setup_from_table(table()), CELL, 200, 1)
    assert clock_after(plain.attrs, 22.0) == "19:30 tomorrow"
    assert clock_after(plain.attrs, 48.0) == "21:30 in 2 days"


def test_waking_with_loads_on_knows_all_that_draws():
    """By hand at 12.8 V: 230 W behind an inverter of 0.92 with 20 W of its own is 21.1 A."""
    sections = {
        "loads": [{"name": "heater", "power_w": 230.0, "through_inverter": True}],
        "inverter": {"efficiency": 0.92, "idle_w": 20.0},
    }
    assert load_while_waking(**sections) == pytest.approx((230.0 / 0.92 + 20.0) / 12.8)


def test_waking_counts_an_event_once_and_the_untracked_load():
    """An hour at 128 W in 48 h is 10/48 A at 12.8 V; what the monitor does not see draws too."""
    event = {"name": "kettle", "power_w": 128.0, "at": ["07:00"], "for_min": 60.0}
    assert load_while_waking(loads=[event]) == pytest.approx(10.0 / 48.0)
    unseen = {"probability": 1.0, "current_a": 1.5}
    with_unseen = load_while_waking(loads=[event], untracked_load=unseen)
    assert with_unseen == pytest.approx(1.5 + 10.0 / 48.0)


def load_while_waking(**sections) -> float:
    """Current [A] by which waking with loads on differs from waking with loads off.

    hours = reserve / (trickle - load), so that the load follows from both; a bank of 20 kAh still
    wakes with it.
    """
    big = dict(table()["bank"], rated_capacity_ah=2e4, capacity_fraction=1.0)
    ambient = {"temperature_c": CELL.reference_temperature_c}
    setup = setup_from_table(table(bank=big, ambient=ambient, **sections))
    dataset = tonight(setup, CELL, 200, 1)
    off, on = dataset["wake_off_hours"].values, dataset["wake_on_hours"].values
    u = uniforms(1, "wake reserve", 200)
    reserve_ah = 2e4 * (WAKE_RESERVE[0] + (WAKE_RESERVE[1] - WAKE_RESERVE[0]) * u)
    load_a = reserve_ah / off - reserve_ah / on
    assert np.ptp(load_a) < 1e-6
    return float(load_a[0])


def test_the_morning_after_begins_at_rest():
    """No branch of the diffusion carries on from the load of the evening."""
    present = dict(table()["present"], current_a=-40.0)
    setup = setup_from_table(table(present=present))
    members = take_snapshot(setup, CELL, 50, 1).members
    plan = prepare(setup, CELL, members, seed=1)
    assert np.abs(plan.batteries.state[:, :, S_I3]).max() > 0.1
    state = after_disconnect(plan, charger_w=400.0).batteries.state
    np.testing.assert_array_equal(state[:, :, [S_I1, S_I2, S_I3]], 0.0)


def test_until_when_the_display_must_not_be_believed_after_a_disconnect():
    """By hand: a charger of 25 A puts 98 % of 100 Ah into the bank in 3.9 h at most steadily;
    waking comes before, the last per cent at a falling current after."""
    shore = {"name": "socket", "kind": "shore", "current_a": 25.0, "voltage_limit_v": 14.6,
             "probability": 0.5}  # fmt: skip
    monitor = {"re_zero": {"above_v": 14.2, "below_a": 4.0, "for_s": 60.0}}
    sections = {"sources": [shore], "monitor": monitor, "ambient": {"temperature_c": 20.0}}
    dataset = tonight(setup_from_table(table(**sections)), CELL, 300, 1)
    capacity_ah = dataset.attrs["rated_capacity_ah"]
    after = dataset["believable_hours"].values - dataset["wake_off_hours"].values[:300]
    assert np.all(np.isfinite(after))
    assert np.median(after) > 0.9 * 0.98 * capacity_ah / 25.0
    assert np.median(after) < 1.4 * capacity_ah / 25.0
    text = said(**sections)
    assert "h on your shore charger, loads off." in text
    rests = said(**sections | {"sources": [shore | {"idle_above_soc": 0.9}]})
    assert "if it is told to charge past the 90 % at which it rests" in rests
    low = said(**sections | {"sources": [shore | {"voltage_limit_v": 13.2}]})
    assert "which your shore charger does not reach" in low
    assert "the next full charge." in said()
    answer = tonight_json(tonight(setup_from_table(table()), CELL, 200, 1))
    assert answer["believable_after_disconnect_hours"] is None


def test_every_way_to_narrow_a_doubt_belongs_to_an_unknown():
    """And every unknown has one, that of a battery with a heater too."""
    battery = {"name": "one", "rated_capacity_ah": 200.0, "heater_w": 40.0}
    cold = {"temperature_c": {"dist": "norm", "loc": -5, "scale": 3}}
    setup = setup_from_table(table(batteries=[battery], ambient=cold))
    causes = take_snapshot(setup, CELL, 50, 1).causes
    assert "battery heater" in causes
    assert set(HOW_TO_KNOW) == set(causes)


def test_what_a_heater_took_is_said_how_to_know():
    """Days in the frost, and a heater of which hardly anything is known."""
    heater = {"dist": "uniform", "loc": 5.0, "scale": 60.0}
    battery = {"name": "one", "rated_capacity_ah": 200.0, "heater_w": heater}
    text = said(
        batteries=[battery],
        ambient={"temperature_c": {"dist": "norm", "loc": -8, "scale": 6}},
        monitor={"offset_a": 0.0, "gain_error": 0.0, "re_zero": {"false_probability": 0.0}},
        present={"display_soc": 0.8, "hours_since_full": 40.0, "clock": "21:30"},
    )
    assert "What widens the band most: battery heater" in text
    assert "narrows the answer most (the clamp meter on a battery's own lead while its" in text


def test_waking_hangs_on_batteries_loads_and_charger():
    """One to two hours for one battery (common practice, no source), half as long again for each
    more; a charger that gives less than trickles in takes longer: 2 A gather 2.6 % of some
    170 Ah in 2.2 h."""

    def waking(n=1, **sections):
        bank = dict(table()["bank"], strings_in_parallel=n)
        return tonight(setup_from_table(table(bank=bank, **sections)), CELL, 400, 1)

    def off(dataset):
        return np.quantile(dataset["wake_off_hours"].values, [0.05, 0.95])

    def text(dataset):
        return " ".join(tonight_text(dataset).split())

    one, two, four = (waking(n) for n in (1, 2, 4))
    assert 0.9 < off(one)[0] < 1.1
    assert 1.8 < off(one)[1] < 2.0
    np.testing.assert_allclose(off(two), 1.5 * off(one))
    np.testing.assert_allclose(off(four), 2.5 * off(one))
    assert "on a shore charger it wakes in about 1 to 2 h with the loads off" in text(one)
    assert "on a shore charger its 4 batteries in parallel wake in about" in text(four)
    assert "one to two hours for one battery, half as long again for each more" in text(one)
    assert "longer, or never, with the loads on" in text(one)
    shore = {"name": "socket", "kind": "shore", "current_a": 2.0}
    small = waking(1, sources=[shore])
    assert off(small)[0] > 2.0
    assert "on your shore charger (2 A) it wakes" in text(small)
    assert np.all(np.isinf(small["wake_on_hours"].values))  # 60 W take 4.7 A


def test_a_temperature_that_is_only_assumed_is_asked_for_where_it_may_be_too_cold():
    """Assumed are 15 °C give or take 8, some 3 % of it below 0."""
    sources = [{"name": "socket", "kind": "shore", "current_a": 20.0}]
    asks = "The temperature is only assumed: read it at the battery (--temperature)."
    assert asks in said(sources=sources)
    told = {"temperature_c": {"dist": "norm", "loc": 15, "scale": 8}}
    text = said(sources=sources, ambient=told)
    assert "Too cold to take charge now" in text
    assert asks not in text


def test_a_charger_of_known_size_carries_the_loads_while_the_bank_wakes():
    shore = {"name": "socket", "kind": "shore", "current_a": 25.0}
    dataset = tonight(setup_from_table(table(sources=[shore])), CELL, 200, 1)
    off, on = dataset["wake_off_hours"].values, dataset["wake_on_hours"].values
    np.testing.assert_allclose(on, off)  # 25 A are loads and trickle together


def said(**sections) -> str:
    """The answer's text on one line."""
    return " ".join(
        tonight_text(tonight(setup_from_table(table(**sections)), CELL, 300, 1)).split()
    )


def test_a_bank_that_lasts_is_said_once_and_with_its_spaces():
    idle = [{"name": "clock", "power_w": 1.0}]
    text = said(loads=idle)
    assert "Disconnects not within 48 h (more than 95 % sure)" in text
    assert "over 48 h" not in text
    # 60 W empties it in some 16 to 27 h: within 20 h for some members, not for most
    text = said(question={"until": ["07:00"], "horizon_hours": 20.0})
    assert re.search(r"Disconnects in >20 h 90 % sure: 1\d\.\d h to over 20 h that is [^ ]+ ", text)
    assert "tomorrow or later" in text
    assert "lasts 48 h either way" in said(loads=[*idle, {"name": "radio", "power_w": 1.0}])


def test_a_chance_of_half_a_percent_is_never_about_0():
    assert chance_words(0.005, 20_000) == chance_words(0.0, 20_000) == "less than 1 %"
    assert chance_words(0.995, 20_000) == chance_words(1.0, 20_000) == "more than 99 %"
    assert chance_words(0.02, 50) == "about 2 %"  # one of fifty


def test_what_nobody_entered_is_said_to_be_missing_or_assumed():
    text = said(present={"hours_since_full": 20.0, "clock": "21:30"})
    assert "No display was given" in text
    assert "What widens the band most" not in text
    text = said(present={"display_soc": 0.6, "clock": "21:30"})
    assert "84 h since full: assumed" in text  # the middle of a week
    assert "assumed" not in said().split("Likely")[0]


def test_a_gain_cut_at_the_horizon_is_a_least_gain():
    """A bank for some 30 h, and without its only load for ever: the horizon ends what is gained."""
    setup = setup_from_table(table())
    dataset = tonight(setup, CELL, 300, 1)
    assert float(dataset["off_beyond"][0]) > 0.99
    lost = 48.0 - np.minimum(dataset["lvd_hours"].values, 48.0)
    assert float(dataset["off_gain_hours"][0]) == pytest.approx(lost.mean())
    assert "h at least" in tonight_text(dataset)
    assert tonight_json(dataset)["switch_offs"][0]["beyond_horizon"] > 0.99
    heavy = [{"name": "one", "power_w": 400.0}, {"name": "two", "power_w": 400.0}]
    assert "at least" not in said(loads=heavy)


def test_of_several_hours_each_has_its_own_advice():
    """120 Ah at 38 + 25 A are gone before midnight, without the first by 02:00, with none at all
    the bank lasts: the first hour is the owner's, the second was left unanswered."""
    loads = [{"name": "oven", "current_a": 38.0}, {"name": "pump", "current_a": 25.0}]
    both, *alone = (
        tonight(setup_from_table(table(loads=loads, question={"until": until})), CELL, 400, 1)
        for until in (["00:30", "07:00"], ["00:30"], ["07:00"])
    )
    assert list(both["until_off"].values) == [one.attrs["enough_off"] for one in alone]
    assert list(both["until_off"].values) == ["oven", "oven; pump"]
    text = " ".join(tonight_text(both).split())
    for j, (until, off, one) in enumerate(
        zip(("00:30", "07:00"), ("oven", "oven, pump"), alone, strict=True)
    ):
        assert f"To be 90 % sure until {until}, switch off: {off}. The chance is then" in text
        assert f"To be 90 % sure, switch off: {off}." in " ".join(tonight_text(one).split())
        assert both["until_chance"][j] == pytest.approx(one.attrs["enough_chance"], abs=1e-9)
    later = tonight_json(both)["enough"]["later"]
    assert later == {
        "07:00": {"off": ["oven", "pump"], "chance": float(both["until_chance"][1]),
                  "reached": True, "with_inverter": False}
    }  # fmt: skip
    # where no switching off is enough for either hour, what to do stands once, behind both
    held = [{**load, "essential": True} for load in loads] + [{"name": "lamp", "power_w": 5.0}]
    text = said(loads=held, question={"until": ["06:00", "07:00"]})
    assert text.count("No switching off makes it 90 % sure until 0") == 2
    assert text.count("Charge, or plan without the bank.") == 1


def test_sources_that_the_cold_stops_are_said():
    """The generic cell may not be charged below 0 °C (its model file)."""
    shore = [{"name": "shore", "kind": "shore", "power_w": 100.0}]
    frost = {"temperature_c": -12.0}
    assert "Too cold to take charge now (below 0 °C): more than 99 %" in said(
        sources=shore, ambient=frost
    )
    assert "Too cold" not in said(ambient=frost)
    assert "Too cold" not in said(sources=shore, ambient={"temperature_c": 20.0})


@pytest.mark.parametrize("celsius", [-1.0, 0.0, 0.5])
def test_the_doubt_about_too_cold_is_that_of_charging(celsius):
    """Where a battery refuses charge is known to a kelvin: at 0.5 °C three in ten still do."""
    shore = {"name": "shore", "kind": "shore", "current_a": 30.0}
    setup = setup_from_table(table(ambient={"temperature_c": celsius}, sources=[shore]))
    share = tonight(setup, CELL, 1000, 3).attrs["too_cold_to_charge"]
    asked = charging(setup, CELL, None, {"amps": 20.0}, 3, 1000)
    assert share == asked.attrs["chance_cold"]  # the same draws
    assert share == pytest.approx(norm.cdf(-celsius), abs=3.0 * np.sqrt(0.25 / 1000))
    # and the night is reckoned by it, give or take what a quarter of an hour warms
    plan = prepare(setup, CELL, take_snapshot(setup, CELL, 300, 3).members, seed=3)
    above_k = plan.batteries.state[:, 0, S_T] - plan.batteries.parameters[:, 0, B_COLD]
    soc = run(plan).soc
    gained_ah = 200.0 * (soc[:, 1] - soc[:, 0])  # of 7.5 Ah that the charger has to give
    assert np.all(gained_ah[above_k < -0.3] < 0.1)
    assert np.all(gained_ah[above_k > 0.3] > 5.0)


def test_several_batteries_are_too_cold_by_the_same_rule_as_in_charging():
    """Two whose heaters may or may not hold them above 0 °C: the warmer one decides."""
    shore = {"name": "shore", "kind": "shore", "current_a": 30.0}
    heated = [
        {"name": name, "rated_capacity_ah": 100.0, "heater_w": 30.0,
         "heater_on_c": 2.0, "heater_off_c": 7.0}
        for name in ("a", "b")
    ]  # fmt: skip
    setup = setup_from_table(
        table(ambient={"temperature_c": -8.0}, batteries=heated, sources=[shore])
    )
    share = tonight(setup, CELL, 1000, 3).attrs["too_cold_to_charge"]
    # a current that flows was not refused: what is told is the share before the reading
    assert share == charging(setup, CELL, None, {"amps": 20.0}, 3, 1000).attrs["chance_cold"]
    plan = prepare(setup, CELL, take_snapshot(setup, CELL, 1000, 3).members, seed=3)
    refuses = plan.batteries.state[:, :, S_T] < plan.batteries.parameters[:, :, B_COLD]
    assert share == refuses.all(axis=1).mean() < refuses.any(axis=1).mean() - 0.1


def test_what_the_battery_heaters_take_is_said_where_it_is_much():
    """60 W at 13.2 V all day are 4.5 A: 91 Ah in 20 h, give or take a factor of two, of 200 Ah."""
    heated = {"name": "a", "rated_capacity_ah": 200.0, "heater_w": 60.0,
              "heater_on_c": 20.0, "heater_off_c": 25.0}  # fmt: skip
    setup = setup_from_table(table(ambient={"temperature_c": -8.0}, batteries=[heated]))
    night = tonight(setup, CELL, 600, 0)
    text = " ".join(tonight_text(night).split())
    found = re.search(
        r"About (\d+) Ah \(90 % sure: (\d+) to (\d+) Ah\) are reckoned to have gone into the "
        r"battery heaters .* draw about (\d\.\d) A .* average, (\d+) Ah until 07:00 if the bank",
        text,
    )
    took_ah, low_ah, high_ah, ahead_a, ahead_ah = map(float, found.groups())
    # what took more than the 120 Ah on the display is ruled out: rather less than 91
    assert low_ah < took_ah < 100.0
    assert 91.0 < high_ah < 125.0
    assert ahead_a == pytest.approx(60.0 / 13.2, rel=0.1)
    assert ahead_ah == pytest.approx(9.5 * ahead_a, abs=0.6)
    gained = tonight_json(night)["battery_heaters"]
    assert gained["took_since_full_ah"]["p50"] == pytest.approx(took_ah, abs=0.5)
    assert "into the battery heaters" not in said(ambient={"temperature_c": -8.0})
    mild = {"ambient": {"temperature_c": 18.0}, "batteries": [{**heated, "heater_on_c": 2.0}]}
    assert "into the battery heaters" not in said(**mild)


def test_battery_heaters_follow_the_air_through_its_day():
    """A mean of 6 °C asks nothing of a heater that switches at 4; 8 K colder by night it does."""
    heated = {"name": "a", "rated_capacity_ah": 200.0, "heater_w": 60.0,
              "heater_on_c": 4.0, "heater_off_c": 6.0}  # fmt: skip
    found = []
    for swing_k in (0.0, 8.0):
        air = {"temperature_c": 6.0, "swing_k": swing_k}
        setup = setup_from_table(table(ambient=air, batteries=[heated]))
        night = tonight(setup, CELL, 400, 0)
        found.append([float(night[key].mean()) for key in ("heater_before_ah", "heater_ahead_a")])
    (before_even, ahead_even), (before, ahead) = found
    assert ahead > ahead_even + 0.5
    assert before > before_even + 2.0


def test_the_first_battery_to_open_is_named_beside_the_disconnect():
    """Two batteries, one worn and cut off early by its BMS; a bank that counts as one has no such
    row."""
    batteries = [
        {"name": "old", "rated_capacity_ah": 100.0, "capacity_factor": 0.5, "cutoff_v": 12.4},
        {"name": "new", "rated_capacity_ah": 100.0, "cutoff_v": 10.0},
    ]
    loads = [{"name": "fan", "power_w": 400.0}]
    dataset = tonight(setup_from_table(table(batteries=batteries, loads=loads)), CELL, 400, 1)
    opens, ends = dataset["first_battery_open_hours"].values, dataset["lvd_hours"].values
    assert (opens <= ends).all()
    rows = tonight_text(dataset).splitlines()
    row = next(row for row in rows if "One opens in" in row)
    assert f"{np.median(opens):.1f} h" in row
    assert max(map(len, rows)) <= 80
    answer = tonight_json(dataset)["first_battery_open_hours"]
    assert answer["p50"] == pytest.approx(np.median(opens), abs=0.1)
    plain = tonight(setup_from_table(table(loads=loads)), CELL, 400, 1)
    assert "One opens in" not in tonight_text(plain)
    assert tonight_json(plain)["first_battery_open_hours"]["p05"] is None


def test_batteries_that_open_together_are_said_to() -> None:
    """Two alike: no row says the same time twice."""
    same = [{"name": name, "rated_capacity_ah": 100.0, "cutoff_v": 11.6} for name in "ab"]
    loads = [{"name": "fan", "power_w": 400.0}]
    dataset = tonight(setup_from_table(table(batteries=same, loads=loads)), CELL, 300, 1)
    np.testing.assert_allclose(dataset["first_battery_open_hours"], dataset["lvd_hours"], atol=0.02)
    text = tonight_text(dataset)
    assert "as the first battery opens; the others go with it" in text
    assert "One opens in" not in text
    assert "carry on alone" not in text


def test_weak_batteries_count_against_what_is_printed_on_them() -> None:
    """0.4 of one and all of another 100 Ah are 140 Ah at most, and that is said; where the file
    says what the whole bank holds, factors only share it."""
    weak = [{"name": "weak", "rated_capacity_ah": 100.0, "capacity_factor": 0.4},
            {"name": "sound", "rated_capacity_ah": 100.0}]  # fmt: skip
    sound = [weak[1], weak[1] | {"name": "other"}]
    fresh = {"display_soc": 1.0, "hours_since_full": 0.0, "clock": "21:30"}
    sure = {"offset_a": 0.0, "re_zero": {"false_probability": 0.0}}

    def night(batteries, **bank):
        bank = table()["bank"] | bank
        sections = {"batteries": batteries, "bank": bank, "present": fresh, "monitor": sure}
        return tonight(setup_from_table(table(**sections)), CELL, 400, 1)

    one, two = night(weak), night(sound)
    ratio = one["charge_left_ah"].values / two["charge_left_ah"].values
    np.testing.assert_allclose(ratio, 0.7, rtol=1e-6)
    words = " ".join(tonight_text(one).split())
    assert "Reckoned with some 133 Ah in place of the rated 200 Ah: the capacity_fac" in words
    assert max(map(len, tonight_text(one).splitlines())) <= 80
    assert "Reckoned with" not in tonight_text(two)
    told = night(weak, capacity_fraction=0.9)
    np.testing.assert_allclose(
        told["charge_left_ah"], night(sound, capacity_fraction=0.9)["charge_left_ah"]
    )
    assert "Reckoned with" not in tonight_text(told)


def test_usable_charge_is_told_where_the_night_outlasts_the_horizon() -> None:
    """A clock of 1 W draws 48 Wh in 48 h, some 3.6 Ah; and JSON tells what the screen does."""
    night = tonight(
        setup_from_table(table(loads=[{"name": "clock", "power_w": 1.0}])), CELL, 300, 1
    )
    said = "Of it usable     >4 Ah   95 % sure; outlasts 48 h: more than 99 %"
    assert said in tonight_text(night)
    answer = tonight_json(night)
    assert answer["usable_charge_ah"]["p50"] is None
    assert answer["usable_at_least_ah"]["p50"] == pytest.approx(48.0 / 13.2, rel=0.05)
    ends = tonight(setup_from_table(table()), CELL, 300, 1)
    shown = tonight_json(ends)["usable_charge_ah"]
    middle = np.median(ends["usable_charge_ah"].values)
    assert shown["p50"] == pytest.approx(middle, rel=0.02)
    assert f"Of it usable   {middle:4.0f} Ah   90 % sure: {shown['p05']:.0f} to" in tonight_text(
        ends
    )


def test_no_night_uses_more_than_its_bank_holds() -> None:
    """A sun that carries the bank over days: still no more than what is left now."""
    panels = {"name": "roof", "kind": "solar", "power_w": 400.0, "clearness": 0.6}
    loads = [{"name": "fan", "power_w": 90.0}]
    night = tonight(setup_from_table(table(sources=[panels], loads=loads)), CELL, 400, 1)
    assert np.mean(np.isfinite(night["lvd_hours"])) > 0.5
    row = next(r for r in tonight_text(night).splitlines() if "Of it usable" in r)
    left = next(r for r in tonight_text(night).splitlines() if " Ah   90 % sure" in r)
    numbers = [[float(n) for n in re.findall(r"(\d+)", r.replace("90 %", ""))] for r in (row, left)]
    assert all(usable <= there for usable, there in zip(*numbers, strict=True))


def test_hours_of_an_untracked_load_are_said_to_carry_no_doubt():
    load = {"probability": 0.5, "current_a": 1.0, "hours": ["22:00-06:00"]}
    text = tonight_text(tonight(setup_from_table(table(untracked_load=load)), CELL, 200, 1))
    assert "hours, 22:00-06:00, are taken as certain" in " ".join(text.split())
    for other in ({"probability": 0.0, "hours": ["22:00-06:00"]}, {"probability": 0.5}):
        text = tonight_text(tonight(setup_from_table(table(untracked_load=other)), CELL, 200, 1))
        assert "taken as certain" not in text


def test_a_bank_that_is_on_does_not_disconnect_as_the_night_begins():
    """What the forecast's own errors put below the limit at once is left out, nothing else."""
    setup = setup_from_table(
        table(
            present={"display_soc": 0.12, "hours_since_full": 60.0, "clock": "21:30"},
            limits={"disconnect_v": 11.6, "delay_s": 20.0},
        )
    )
    night = tonight(setup, CELL, 3000, 1)
    drawn = take_snapshot(setup, CELL, 3000, 1)
    raw_s = run(prepare(setup, CELL, drawn.members, seed=1, patterns=drawn.patterns)).column(O_LVD)
    kept = raw_s > 20.01
    assert 10 < np.sum(~kept) < 1500
    np.testing.assert_array_equal(night["lvd_hours"].values, raw_s[kept] / 3600.0)
    np.testing.assert_array_equal(night["soc_now"].values, drawn.members.soc[kept])
    assert night.attrs["members"] == np.sum(kept)
    until_h = night["until_hours"].values[0]
    assert night["lasts_until"].values[0] == pytest.approx(np.mean(raw_s[kept] > 3600 * until_h))


def section(name, **values):
    return {name: table().get(name, {}) | values}


def test_a_bank_of_which_only_a_display_is_known_gives_what_it_shows_now():
    """Charge over current, where nothing else is doubtful; without either, that is said."""
    sure = {"offset_a": 0.0, "gain_error": 0.0, "re_zero": {"false_probability": 0.0}}
    known = section("bank", capacity_fraction=1.0) | {"monitor": sure, "loads": []}
    present = {"display_soc": 0.5, "hours_since_full": 5.0, "clock": "20:00", "current_a": -5.0}
    night = tonight(setup_from_table(table(present=present, **known)), CELL, 300, 0)
    left = night["charge_left_ah"].values
    assert np.median(night["lvd_hours"].values) == pytest.approx(np.median(left) / 5.0, rel=0.08)
    assert "what draws now, 5.0 A, is taken to go" in tonight_text(night)
    assert not night.sizes["load"]  # of what draws nobody knows what could go off
    del present["current_a"]
    text = tonight_text(tonight(setup_from_table(table(present=present, **known)), CELL, 100, 0))
    assert "this reckons with none" in text
    assert "a shore charger" not in text  # nothing to wake from


@pytest.mark.parametrize(
    ("loads", "charges"), [([], True), ([{"name": "lamp", "current_a": 3.0}], False)]
)
def test_what_is_made_of_a_current_that_flows_in_now_is_said(loads: list, charges: bool) -> None:
    """It begins the night and does not go on: neither is it asked for again, nor passed over."""
    shore = [{"name": "socket", "kind": "shore", "current_a": 10.0}] if charges else []
    present = {"display_soc": 0.5, "hours_since_full": 20.0, "clock": "20:00", "current_a": 10.0}
    text = said(present=present, loads=loads, sources=shore)
    assert "says 10.0 A flow into the bank now. The voltage starts from that, but it is not" in text
    assert ("are the [[sources]] of the setup file" in text) is charges
    assert ("so nothing charges the bank from now on" in text) is (not charges)
    assert "what is drawn now" not in text
    assert ("as it reads while nothing charges the bank" in text) is (not loads)
    without = said(present=present | {"current_a": -10.0}, loads=loads, sources=shore)
    assert "flow into the bank" not in without


def test_what_changes_nothing_has_the_chance_of_the_whole_night() -> None:
    """A clock of a milliwatt: beside "about 93 %" no "about 92 %", though fewer members tell it."""
    loads = [{"name": "fan", "power_w": 60.0}, {"name": "clock", "power_w": 0.001}]
    present = {"display_soc": 0.45, "hours_since_full": 60.0, "clock": "21:30"}
    doubt = {"probability": 0.4, "current_a": {"dist": "expon", "scale": 0.6}}
    setup = setup_from_table(table(loads=loads, present=present, untracked_load=doubt))
    night = tonight(setup, CELL, WHAT_IF_MEMBERS + 3000, 3)
    lasts = float(night["lasts_until"][0])
    few = np.mean(night["lvd_hours"].values[:WHAT_IF_MEMBERS] > float(night["until_hours"][0]))
    assert abs(few - lasts) > 0.001
    off = dict(zip(night["load"].values, night["off_chance"].values, strict=True))
    assert off["clock"] == pytest.approx(lasts, abs=0.0005)
    np.testing.assert_allclose(of_all(np.array([1.0, 0.9, 0.4]), 0.8, 0.82), [1.0, 0.91, 0.41])
    assert of_all(0.7, 1.0, 0.99) == pytest.approx(0.693)
    assert of_all(0.2, 0.0, 0.01) == pytest.approx(0.208)


def test_the_display_promises_what_the_monitor_counts():
    """A straight line: the seen load over the capacity set, whatever runs unseen."""
    setup = setup_from_table(
        table(
            untracked_load={"probability": 1.0, "current_a": 3.0},
            monitor={"assumed_capacity_ah": 110.0},
            present={"display_soc": 0.5, "hours_since_full": 5.0, "clock": "20:00"},
            loads=[{"name": "seen", "current_a": 2.0}],
            **section("bank", rated_capacity_ah=100.0),
        )
    )
    night = tonight(setup, CELL, 200, 0)
    hours = night["time"].values
    promised = night["promised_soc"].values
    on = hours < 20.0
    np.testing.assert_allclose(promised[on], 0.5 - 2.0 * hours[on] / 110.0, atol=2e-3)
    assert np.all(night["soc"].sel(quantile=0.5).values[on][1:] < promised[on][1:])
    assert np.isnan(promised[hours > 30.0]).all()  # 55 Ah at 2 A are used up


def test_whether_a_heater_keeps_a_bank_warm_enough_is_as_doubtful_as_its_heat_loss():
    """60 W on 4 cells of 2 x 1.0 W/K lift 7.5 K in the middle; the loss is known to 60 %."""
    shares = []
    for watt in (20.0, 60.0, 70.0, 200.0):
        heated = {"name": "a", "rated_capacity_ah": 200.0, "heater_w": watt,
                  "heater_on_c": 5.0, "heater_off_c": 10.0}  # fmt: skip
        shore = {"name": "shore", "kind": "shore", "current_a": 30.0}
        cold = {"temperature_c": -8.0}
        night = tonight(
            setup_from_table(table(ambient=cold, batteries=[heated], sources=[shore])), CELL, 600, 0
        )
        shares.append(night.attrs["too_cold_to_charge"])
    # ln(8 K / lift) over 0.6; the drawn temperature of the air and 600 members widen it a little
    want = 1.0 - norm.cdf(np.log(np.array([2.5, 7.5, 8.75, 25.0]) / 8.0) / 0.6)
    np.testing.assert_allclose(shares, want, atol=0.06)


def test_what_is_usable_at_least_is_no_median_where_the_end_is_open() -> None:
    """Of ten members six outlast the horizon: what the others get counts, and how likely it is."""
    night = tonight(setup_from_table(table()), CELL, 300, 1)
    left, ends = night["charge_left_ah"].values, np.arange(300) % 10 < 4
    night["usable_charge_ah"][:] = np.where(ends, np.linspace(5.0, 40.0, 300), np.nan)
    night["usable_least_ah"][:] = np.where(ends, np.linspace(5.0, 40.0, 300), 60.0)
    low = np.quantile(night["usable_least_ah"].values, 0.05)
    assert low < 20.0 < np.median(left)
    said = f"Of it usable    >{low:.0f} Ah   95 % sure; outlasts 48 h: about 60 %"
    assert said.split() in [line.split() for line in tonight_text(night).splitlines()]


def test_waking_waits_for_warmth() -> None:
    """Waking is charging: no shore charger does it at -8 °C, whether the file names one or not."""

    def text(celsius: float, **sections) -> str:
        return said(ambient={"temperature_c": celsius}, **sections)

    shore = [{"name": "socket", "kind": "shore", "current_a": 5.0, "hours": ["06:00-07:00"]}]
    for sources in ({}, {"sources": shore}):
        cold = text(-8.0, **sources)
        assert "it does not wake while its batteries are below 0 °C, as now" in cold
        assert "Once warmer: on" in cold
        assert "Not while its batteries are below 0 °C: waking is charging." in text(1.0, **sources)
        assert "waking is charging" not in text(15.0, **sources)


def test_a_rule_for_full_that_rest_meets_is_said_of_the_night() -> None:
    assert "above_v is 13.32 V, 3.33 V a cell" in said(monitor={"re_zero": {"above_v": 13.32}})
    assert "3.33 V a cell" not in said(monitor={"re_zero": {"above_v": 14.0}})
