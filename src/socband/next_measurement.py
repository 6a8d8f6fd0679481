"""What to measure next: the information a test is expected to bring, per minute of work.

The expected information gain of a test is the mutual information between its reading y and what is
asked about, here the cause (Lindley 1956, Ann. Math. Stat. 27, 986-1005), by nested Monte Carlo
over the posterior draws (Ryan 2003, J. Comput. Graph. Stat. 12, 585-603):

    gain = E[ln p(y | cause) - ln p(y)],

where each density is a mean over draws. If every draw is asked about by itself the same formula
gives the gain about all parameters; for a linear Gaussian test that is ½ ln(1 + signal variance /
noise variance), which the tests check.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from socband.suspects_draws import GOOD_METERS, Meters, predictions

if TYPE_CHECKING:
    from socband.models import CellModel
    from socband.site import Setup
    from socband.suspects import Verdict
    from socband.suspects_draws import Draws

Array = np.ndarray


@dataclass(frozen=True)
class Test:
    """One possible test.

    Attributes:
        key, what: name, and what to do in plain words.
        minutes: work; waiting_hours: besides, without work.
        readings: what it yields, with typical conditions (for example a clamp reading of -5 A).
        needs, caution: what it takes, and what to beware of.
        as_readings: how the result is entered.
        gain_bits, error_bits: filled by `rank_tests`.
    """

    __test__ = False  # not a test case, whatever pytest thinks of the name

    key: str
    what: str
    minutes: float
    waiting_hours: float
    readings: Mapping[str, float]
    needs: str
    caution: str
    as_readings: str
    gain_bits: float = float("nan")
    error_bits: float = float("nan")

    @property
    def rate(self) -> float:
        """Bits per minute of work; an hour of waiting counts as a minute of work (assumed)."""
        return self.gain_bits / (self.minutes + self.waiting_hours)


_CURRENTS = "never open a battery cable under load; keep metal tools off the posts"

# Minutes are the authors' guesses (assumed); they are settings: pass other tests to `rank_tests`.
TESTS: tuple[Test, ...] = (
    Test(
        "clamp_at_post",
        "clamp meter at the battery post against the current on the display, at the same moment",
        10,
        0,
        {"clamp": -3.0, "display": 0.0},
        "a DC clamp meter, zeroed beside the cable; every cable of the post inside the clamp",
        _CURRENTS,
        "clamp=... display=...",
    ),
    Test(
        "clamp_heavy_load",
        "clamp meter at the battery post against the current on the display, while a heavy load of "
        "some 40 A runs",
        12,
        0,
        {"clamp": -40.0, "display": 0.0},
        "a DC clamp meter and a load that runs for a minute",
        _CURRENTS,
        "clamp=... display=...",
    ),
    Test(
        "display_all_off",
        "the current on the display with every load and charger switched off",
        8,
        0,
        {"display_off": 0.0},
        "switches or breakers of all loads and chargers; no medical device may lose its supply",
        "solar panels off at their breaker first; leave breakers of mains wiring alone",
        "display_off=...",
    ),
    Test(
        "known_load",
        "switch on a load of known current and note the change of the display and of the voltage",
        10,
        0,
        {"load": 25.0, "load_display": 0.0, "load_sag": 0.0},
        "a load whose current is known, and a voltmeter at the bank",
        "a connection that gets warm to the hand is dangerous: switch off, do not touch again",
        "load=... load_display=... load_sag=...",
    ),
    Test(
        "rested_voltage",
        "bank voltage after two hours without current",
        6,
        2,
        {"rested": 0.0, "rested_hours": 2.0},
        "two hours without loads and chargers, and a voltmeter good to 10 mV",
        "no medical or safety device may be among the loads switched off",
        "rested=... rested_hours=2",
    ),
    Test(
        "full_and_watch",
        "charge until full, use it as always, charge until full again: what did the display count?",
        10,
        24,
        {"night": 0.0, "night_hours": 24.0},
        "a charger that truly finishes, on two days",
        "do not charge below the cells' lowest charging temperature",
        "night=... night_hours=24",
    ),
    Test(
        "discharge_to_cutoff",
        "from a full charge, discharge at a steady rate until the bank switches off",
        40,
        10,
        {"capacity": 0.0, "capacity_hours": 10.0},
        "a load for ten hours, a charger for afterwards, and nothing that must stay on",
        "everything loses its supply at the end: no medical devices, alarms or frost protection; "
        "recharge at once",
        "capacity=... capacity_hours=10",
    ),
    Test(
        "clamp_each_lead",
        "clamp meter on each battery's own lead in turn under a steady load: least and most",
        10,
        0,
        {"lead_least": 0.0, "lead_most": 10.0},
        "a DC clamp meter, zeroed beside the cable, and a load that stays the same meanwhile",
        _CURRENTS,
        "lead_least=... lead_most=...",
    ),
)

LN2 = float(np.log(2.0))
PAIR_DRAWS, LEAST_DRAWN = 150, 20  # of each cause of a pair (assumed)


def expected_information_gain(
    mean: Array,
    std: Array,
    rng: np.random.Generator,
    groups: Array | None = None,
    outer: int = 400,
) -> tuple[float, float]:
    """Nested Monte Carlo estimate of an expected information gain.

    Args:
        mean: (m, n) what each of n equally weighted draws predicts for the m readings of a test.
        std: (m, n) or (m, 1) standard deviations of the readings.
        rng: random numbers.
        groups: (n,) what is asked about (the cause), by number; None = each draw by itself.
        outer: outer draws; the inner means run over all others.

    Returns:
        Gain and its standard error [bit].
    """
    n = mean.shape[1]
    std = np.broadcast_to(std, mean.shape)
    chosen = rng.choice(n, min(outer, n), replace=False)
    y = mean[:, chosen] + std[:, chosen] * rng.standard_normal((len(mean), len(chosen)))
    log_p = np.zeros((len(chosen), n))
    for row in range(len(mean)):
        z = (y[row][:, None] - mean[row][None]) / std[row][None]
        log_p -= 0.5 * z**2 + np.log(std[row])[None]
    own = log_p[np.arange(len(chosen)), chosen]
    # the inner draws must not know the outer one
    log_p[np.arange(len(chosen)), chosen] = -np.inf
    if groups is None:
        terms = own - (_log_sum(log_p) - np.log(n - 1))
    else:
        terms = np.empty(len(chosen))
        totals = np.full((len(chosen), groups.max() + 1), -np.inf)
        count = np.bincount(groups, minlength=groups.max() + 1)
        for g in np.flatnonzero(count):
            totals[:, g] = _log_sum(log_p[:, groups == g])
        mine = groups[chosen]
        # Both densities from the same sums, so that a test that tells nothing gains nothing.
        reduced = count[None, :] - (np.arange(len(count))[None, :] == mine[:, None])
        with np.errstate(divide="ignore", invalid="ignore"):
            per_group = np.where(reduced > 0, totals - np.log(np.maximum(reduced, 1)), -np.inf)
        share = np.log(np.maximum(count / n, 1e-300))
        marginal = _log_sum(per_group + share[None, :])
        terms = per_group[np.arange(len(chosen)), mine] - marginal
        terms = terms[np.isfinite(terms)]
    return float(terms.mean() / LN2), float(terms.std(ddof=1) / np.sqrt(len(terms)) / LN2)


def _log_sum(x: Array) -> Array:
    top = x.max(axis=1)
    safe = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        return safe + np.log(np.exp(x - safe[:, None]).sum(axis=1))


def rank_tests(
    verdict: Verdict,
    setup: Setup,
    cell: CellModel,
    readings: Mapping[str, float],
    seed: int = 0,
    meters: Meters = GOOD_METERS,
    tests: tuple[Test, ...] = TESTS,
) -> list[Test]:
    """Tests with their gains about the cause, best gain per minute first.

    Args:
        verdict: the posterior, readings entered so far included.
        readings: those entered; a test already done is left out.
        tests: see `TESTS`.
    """
    from socband.causes import CAUSES

    draws = verdict.draws
    numbers = {name: j for j, name in enumerate(CAUSES)}
    groups = np.array([numbers[h.cause] for h in draws.hypotheses])[draws.index]
    ranked = []
    strings = setup.bank.strings_in_parallel
    for j, test in enumerate(tests):
        if "lead_least" in test.readings and strings < 2:
            continue  # one battery has no share
        heavy_done = abs(readings.get("clamp", 0.0)) > 20.0
        if test.key == "clamp_at_post" and "clamp" in readings and not heavy_done:
            continue
        if test.key == "clamp_heavy_load" and heavy_done:
            continue
        wanted = [key for key in test.readings if key not in ("clamp", "load") and not
                  key.endswith("_hours")]  # fmt: skip
        if test.key not in ("clamp_at_post", "clamp_heavy_load") and all(
            key in readings for key in wanted
        ):
            continue
        mean, std = _predicted(test, draws, setup, cell, meters)
        rng = np.random.default_rng([seed, 10, j])
        gain, error = expected_information_gain(mean, std, rng, groups)
        ranked.append(replace(test, gain_bits=gain, error_bits=error))
    return sorted(ranked, key=lambda test: -test.rate)


def pair_bits(
    verdict: Verdict,
    setup: Setup,
    cell: CellModel,
    tests: Sequence[Test],
    causes: Sequence[str],
    seed: int = 0,
    meters: Meters = GOOD_METERS,
) -> Array:
    """What each test tells of each pair of causes, were both as likely: 1 decides, 0 says nothing.

    Args:
        verdict: the posterior, readings entered so far included.
        tests: as ranked.
        causes: in the order wanted.

    Returns:
        (causes, causes, tests) [bit], NaN for a pair of which one has fewer than `LEAST_DRAWN`
        draws.
    """
    draws = verdict.draws
    said = [_predicted(test, draws, setup, cell, meters) for test in tests]
    of = [np.flatnonzero(draws.causes == name) for name in causes]
    rng = np.random.default_rng([seed, 11])
    some = [rng.choice(m, PAIR_DRAWS) if len(m) >= LEAST_DRAWN else m[:0] for m in of]
    groups = np.repeat([0, 1], PAIR_DRAWS)
    bits = np.full((len(causes), len(causes), len(tests)), np.nan)
    for i, j in zip(*np.triu_indices(len(causes), 1), strict=True):
        both = np.concatenate([some[i], some[j]])
        if len(both) < 2 * PAIR_DRAWS:
            continue
        for n, (mean, std) in enumerate(said):
            theirs = np.broadcast_to(std, mean.shape)[:, both]
            gain, _ = expected_information_gain(mean[:, both], theirs, rng, groups, PAIR_DRAWS)
            bits[i, j, n] = bits[j, i, n] = gain
    return bits


def _predicted(
    test: Test, draws: Draws, setup: Setup, cell: CellModel, meters: Meters
) -> tuple[Array, Array]:
    """(m, n) what each draw predicts for the readings of a test in this bank, and its deviation."""
    conditions, rated_ah = dict(test.readings), setup.bank.rated_capacity_ah
    if "load" in conditions:  # a load the bank can carry
        conditions["load"] = rated_ah / 8.0
    if "lead_most" in conditions:
        conditions["lead_most"] = rated_ah / 8.0 / setup.bank.strings_in_parallel
    if test.key == "clamp_heavy_load":
        conditions["clamp"] = -rated_ah / 5.0
    said = predictions(draws, conditions, setup, cell, meters)
    return np.stack([said[key][0] for key in said]), np.stack([said[key][1] for key in said])
