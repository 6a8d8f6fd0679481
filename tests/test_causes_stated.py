"""What a setup file states of a cause is where `suspects` begins; the rest changes nothing.

Chances are worked out by hand from the odds. No number here comes from a measurement.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from socband.causes import CauseSettings, hypotheses
from socband.causes_stated import DOUBTED, MOST_STATED, UNTRACKED, settings_as_stated
from socband.errors import InputError
from socband.models import load_cell
from socband.quantity import Quantity
from socband.site import setup_from_table
from socband.snapshot import take_snapshot
from socband.suspects_judge import Options, judge

BANK = {"cell": "lfp-prismatic-100ah", "cells_in_series": 4, "rated_capacity_ah": 240}
USUAL = CauseSettings()


def setup_of(**sections: dict):
    present = {"display_soc": 0.7, "hours_since_full": 60, "clock": "20:00"}
    return setup_from_table({"bank": BANK, "present": present, **sections})


def weights(**sections: dict) -> dict[str, float]:
    """Weight of each cause before any evidence."""
    found: dict[str, float] = {}
    for one in hypotheses(setup_of(**sections), USUAL):
        found[one.cause] = found.get(one.cause, 0.0) + one.weight
    return found


def odds_of(given: dict[str, float], *causes: str) -> float:
    """Of some causes against all others."""
    share = sum(given.get(cause, 0.0) for cause in causes)
    return share / (1.0 - share)


def test_nothing_stated_leaves_the_usual_weights() -> None:
    found = weights()
    # one bank of cells without batteries in parallel has no missing battery, and its capacity
    # setting, the rated one, is sound
    usual = {n: w for n, w in USUAL.weight.items() if n in found}
    total = sum(usual.values())
    assert set(USUAL.weight) - set(found) == {"missing_battery", "capacity_setting"}
    assert found == pytest.approx({n: w / total for n, w in usual.items()})


def test_a_stated_chance_takes_the_place_of_the_usual_one() -> None:
    """That of a load against all else; that of a false full against a bank with no other cause."""
    found = weights(untracked_load={"probability": 0.6})
    assert odds_of(found, *UNTRACKED) == pytest.approx(0.6 / 0.4)
    usual = weights()
    assert found["gain"] / found["none"] == pytest.approx(usual["gain"] / usual["none"])
    found = weights(monitor={"re_zero": {"false_probability": 0.4}})
    assert found["false_rezero"] / found["none"] == pytest.approx(0.4 / 0.6)
    both = weights(
        untracked_load={"probability": 0.6}, monitor={"re_zero": {"false_probability": 0.4}}
    )
    assert both["false_rezero"] / both["none"] == pytest.approx(0.4 / 0.6)
    loads = both[UNTRACKED[0]] + both[UNTRACKED[1]]
    assert loads / (1.0 - both["false_rezero"] - loads) == pytest.approx(0.6 / 0.4)
    sure = weights(monitor={"re_zero": {"false_probability": 1.0}})
    odds = MOST_STATED / (1.0 - MOST_STATED)
    assert sure["false_rezero"] / sure["none"] == pytest.approx(odds)


def test_a_cause_without_room_is_doubted_and_a_load_that_is_not_there_is_none() -> None:
    usual = weights()
    found = weights(monitor={"offset_a": 0.0, "re_zero": {"false_probability": 0.0}})
    for cause in ("offset", "false_rezero"):
        assert found[cause] / found["none"] == pytest.approx(DOUBTED * usual[cause] / usual["none"])
    assert not set(weights(untracked_load={"probability": 0.0})) & set(UNTRACKED)


def test_a_load_that_is_certain_draws_under_every_cause() -> None:
    stated = {"current_a": 1.5, "hours": ["22:00-06:00"]}
    setup = setup_of(untracked_load=stated)
    found = hypotheses(setup, USUAL)
    assert "none" not in {one.cause for one in found}
    fact = found[0]
    assert fact.cause == "untracked_hours"
    for one in found:
        if one.cause in UNTRACKED and one is not fact:
            continue  # another load than the stated one
        assert one.priors["untracked_a"].mean == 1.5
        assert one.hours == setup.untracked_load.hours
    given = weights(untracked_load=stated)
    assert given["untracked_hours"] == max(given.values())


def test_a_certain_load_too_small_for_a_cause_is_no_fact() -> None:
    found = hypotheses(setup_of(untracked_load={"current_a": 0.02}), USUAL)
    assert found[0].cause == "none"
    assert found[0].priors["untracked_a"].mean == 0.02


def test_a_likely_load_of_stated_size_and_hours() -> None:
    current = {"dist": "norm", "loc": 2.0, "scale": 0.2}
    stated = {"probability": 0.5, "current_a": current, "hours": ["22:00-06:00"]}
    loads = [h for h in hypotheses(setup_of(untracked_load=stated), USUAL) if h.cause in UNTRACKED]
    assert [one.cause for one in loads] == ["untracked_hours"]
    assert loads[0].priors["untracked_a"].mean == pytest.approx(2.0)
    assert str(loads[0].hours) == "22:00-06:00"


@pytest.mark.parametrize(
    ("key", "size", "cause", "parameter"),
    [("offset_a", 0.9, "offset", "offset_a"), ("gain_error", -0.06, "gain", "gain")],
)
def test_a_known_error_is_a_fact(key: str, size: float, cause: str, parameter: str) -> None:
    found = hypotheses(setup_of(monitor={key: size}), USUAL)
    assert found[0].cause == cause
    others = [one for one in found[1:] if one.cause == cause]  # the statement may be wrong
    assert sum(one.weight for one in others) < DOUBTED * found[0].weight
    assert all(one.priors[parameter].mean == size for one in found if one not in others)


def test_what_a_doubt_leaves_room_for_is_the_chance_of_the_cause() -> None:
    """An offset is a fault from 1 % a day on: 0.1 A on 240 Ah, one deviation here."""
    found = weights(monitor={"offset_a": {"dist": "norm", "loc": 0.0, "scale": 0.1}})
    beyond = 0.3173  # of a normal number, beyond one deviation (any table)
    assert odds_of(found, "offset") == pytest.approx(beyond / (1.0 - beyond), rel=1e-3)


def test_what_is_stated_tells_the_size_too() -> None:
    """Beyond one deviation of 0.1 A the mean of a normal number is 0.1525 A (φ(1)/0.1587)."""
    stated = {"offset_a": {"dist": "norm", "loc": 0.0, "scale": 0.1}}
    high, low = (h for h in hypotheses(setup_of(monitor=stated), USUAL) if h.cause == "offset")
    u = (np.arange(2000) + 0.5) / 2000
    assert high.priors["offset_a"].ppf(u).mean() == pytest.approx(0.1525, abs=1e-3)
    assert low.priors["offset_a"].ppf(u).mean() == pytest.approx(-0.1525, abs=1e-3)
    assert high.priors["offset_a"].ppf(u).min() >= 0.1
    assert high.weight == pytest.approx(low.weight)
    skewed = {"gain_error": {"dist": "norm", "loc": 0.012, "scale": 0.004}}
    more, less = (h for h in hypotheses(setup_of(monitor=skewed), USUAL) if h.cause == "gain")
    assert more.weight == pytest.approx(less.weight)  # no room: the usual sizes, about its middle


def test_a_fact_is_there_beside_a_stated_chance() -> None:
    found = weights(monitor={"offset_a": 0.9}, untracked_load={"probability": 0.4})
    assert odds_of(found, *UNTRACKED) == pytest.approx(0.4 / 0.6)
    found = weights(monitor={"offset_a": 0.9, "re_zero": {"false_probability": 0.4}})
    stated = {"offset_a": 0.9, "re_zero": {"false_probability": 0.4}}
    fact = hypotheses(setup_of(monitor=stated), USUAL)[0]
    assert found["false_rezero"] / fact.weight == pytest.approx(0.4 / 0.6)


def test_hours_alone_are_heard() -> None:
    loads = [
        h
        for h in hypotheses(setup_of(untracked_load={"hours": ["22:00-06:00"]}), USUAL)
        if h.cause in UNTRACKED
    ]
    assert [str(one.hours) for one in loads] == ["22:00-06:00"]


def test_where_nothing_is_wrong_the_last_full_was_true() -> None:
    """Without a load and with no offset nothing but a false full leaves the bank below 50 %."""
    rule = {"false_probability": 0.5, "shortfall": 0.3}
    setup = setup_of(
        monitor={"offset_a": 0.0, "re_zero": rule}, untracked_load={"probability": 0.0}
    )
    verdict = judge(setup, load_cell("lfp-prismatic-100ah"), None, {}, seed=1)
    none = verdict.draws.soc[verdict.draws.causes == "none"]
    false = verdict.draws.soc[verdict.draws.causes == "false_rezero"]
    assert np.mean(none < 0.5) < 0.02
    assert np.mean(false < 0.5) > 0.9


def test_a_rule_met_at_rest_makes_false_fulls_likely_where_no_log_shows_it() -> None:
    setup = setup_of(monitor={"re_zero": {"above_v": 13.3}})

    def odds(zero_share: float | None) -> float:
        found = hypotheses(setup, USUAL, zero_share=zero_share)
        false, none = (
            sum(h.weight for h in found if h.cause == cause) for cause in ("false_rezero", "none")
        )
        return false / none

    p = setup.monitor.re_zero.false_probability
    assert p > 0.4
    assert odds(None) == pytest.approx(p / (1.0 - p))
    assert odds(0.2) == pytest.approx(USUAL.weight["false_rezero"] / USUAL.weight["none"])


def test_a_stated_shortfall_is_what_a_false_full_lacks() -> None:
    rule = {"shortfall": {"dist": "norm", "loc": 0.3, "scale": 0.04}}
    stated = settings_as_stated(setup_of(monitor={"re_zero": rule}), USUAL)
    assert (stated.shortfall_mean, stated.shortfall_std) == pytest.approx((0.3, 0.04), rel=1e-3)
    assert settings_as_stated(setup_of(), USUAL) == USUAL


def test_a_fact_is_called_one_and_a_wrong_one_is_found_out() -> None:
    """An offset of +0.9 A, stated as it is and with its sign slipped; the display shows it."""
    from socband.suspects import suspects
    from socband.suspects_report import suspects_text

    cell, off = load_cell("lfp-prismatic-100ah"), {"display_off": 0.9, "clamp_off": 0.0}

    def told(stated_a: float) -> str:
        setup = setup_of(monitor={"offset_a": stated_a})
        found = suspects(setup, cell, None, off, seed=1, members=8000)
        return " ".join(suspects_text(found).split())

    assert "Stated in the setup file, so it counts under every other cause too" in told(0.9)
    assert "Not the one stated in the setup file." in told(-0.9)


def test_a_statement_that_leaves_no_bank_is_refused() -> None:
    """It shows 70 % after 60 h of which 3 A each were not counted: 145 %."""
    setup = setup_of(monitor={"offset_a": -3.0, "gain_error": 0.0})
    setup = replace(setup, monitor=replace(setup.monitor, offset_a=Quantity.from_number(-3.0)))
    settings = replace(USUAL, weight={"none": 1.0})
    with pytest.raises(InputError, match="more than full by now"):
        judge(setup, load_cell("lfp-prismatic-100ah"), None, {}, options=Options(causes=settings))


@pytest.mark.parametrize(
    "sections",
    [
        {"untracked_load": {"current_a": 1.3}},
        {"monitor": {"offset_a": 0.8}},
        {"untracked_load": {"current_a": 2.5, "hours": ["22:00-06:00"]}},
    ],
)
def test_suspects_and_tonight_begin_at_the_same_charge(sections: dict) -> None:
    """The middle of the one and the other, which knows no fault beside the setup's own doubts."""
    setup, cell = setup_of(**sections), load_cell("lfp-prismatic-100ah")
    verdict = judge(setup, cell, None, {}, seed=1)
    snapshot = take_snapshot(setup, cell, n=4000, seed=1)
    assert np.median(verdict.draws.soc) == pytest.approx(np.median(snapshot.members.soc), abs=0.04)
    unsaid = judge(setup_of(), cell, None, {}, seed=1)
    assert abs(np.median(unsaid.draws.soc) - np.median(verdict.draws.soc)) > 0.1
